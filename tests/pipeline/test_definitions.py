from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from pipeline.definitions import Section, load_definitions
from schemas.errors import InputError
from shared import SHARED

SHIPPED = (SHARED / "definitions.toml").read_text(encoding="utf-8")


def _figures() -> list[tuple[str, dict[str, object]]]:
    found = []
    for section, body in tomllib.loads(SHIPPED).items():
        for part in body if isinstance(body, list) else [body]:
            found += [(f"{section}.{name}", f) for name, f in part.items() if isinstance(f, dict)]
    return found


@pytest.mark.parametrize(("name", "figure"), _figures(), ids=[name for name, _ in _figures()])
def test_every_figure_says_what_it_means_and_where_it_is_from(name: str, figure: dict[str, object]) -> None:
    assert set(figure) == {"value", "unit", "meaning", "source"}
    assert figure["unit"], name
    assert len(str(figure["meaning"])) > 10, name
    assert len(str(figure["source"])) > 5, name


def test_the_first_definition_of_a_prolonged_leak_is_more_than_five_days() -> None:
    first = load_definitions().prolonged_leak[0]
    assert (first.name, first.threshold) == ("more_than_5_days", 120.0)


def test_changing_a_figure_changes_the_digest_and_nothing_else_does(tmp_path: Path) -> None:
    path = tmp_path / "definitions.toml"
    path.write_text(SHIPPED + "\n# a remark\n", encoding="utf-8")
    assert load_definitions(path).digest == load_definitions().digest
    path.write_text(SHIPPED.replace("on_above = { value = 20", "on_above = { value = 25"), encoding="utf-8")
    changed = load_definitions(path)
    assert changed.leak.on_above == 25
    assert changed.digest != load_definitions().digest


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("on_above = {", "on_abov = {", "leak.on_above: field required"),
        ("on_above = { value = 20", 'on_above = { value = "twenty"', "leak.on_above: "),
        ("[leak]", "[leek]", "leak: field required"),
        ("on_above = { value = 20, ", "on_above = { ", "leak.on_above must have value, unit"),
        ("[leak]", "[leak", "not valid TOML"),
    ],
)
def test_a_mistake_in_the_file_is_one_sentence_that_names_it(
    tmp_path: Path, old: str, new: str, told: str
) -> None:
    path = tmp_path / "definitions.toml"
    assert old in SHIPPED
    path.write_text(SHIPPED.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_definitions(path)
    assert told in str(caught.value)
    assert str(caught.value).startswith("definitions.toml")


def test_a_missing_file_says_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.toml: cannot be read"):
        load_definitions(tmp_path / "none.toml")


def test_a_section_that_does_not_say_what_it_decides_is_refused() -> None:
    with pytest.raises(TypeError, match="decides"):
        type("BubbleRules", (Section,), {})


def test_a_further_definition_of_a_prolonged_leak_is_the_published_one_but_for_what_it_says(
    tmp_path: Path,
) -> None:
    path = tmp_path / "definitions.toml"
    own = '[[prolonged_leak]]\nname = "past_day_7"\n'
    seventh = 'through_day = { value = 7, unit = "d", meaning = "past this day", source = "a ward" }\n'
    path.write_text(f"{SHIPPED}\n{own}{seventh}", encoding="utf-8")
    read = load_definitions(path)
    published, added = read.prolonged_leak[0], read.prolonged_leak[-1]
    assert added == published.model_copy(
        update={"name": "past_day_7", "threshold": None, "through_day": 7, "begins_within": None}
    )
    said = read.said("prolonged_leak.past_day_7.leak_after")
    assert said == read.said("prolonged_leak.more_than_5_days.leak_after")
    assert said is not None
    path.write_text(f"{SHIPPED}\n{own}", encoding="utf-8")
    with pytest.raises(InputError, match="give either threshold or through_day"):
        load_definitions(path)
