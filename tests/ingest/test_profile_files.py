"""A profile is checked in full when it is loaded; each mistake in it is one sentence."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.ingest import load_profiles, parse_profile
from pipeline.ingest.units import Quantity, factor_to_ours
from schemas.errors import InputError
from shared import SHARED
from tests.ingest.drain_logs import DATA, PROFILES, read

TEXT = {profile.name: profile.text for profile in PROFILES}

MISTAKES = [
    ("decimal =", "decimel =", 'unknown key "decimel", did you mean "decimal"?'),
    ('air_leak = "Leak', 'air_leek = "Leak', '[columns] unknown key "air_leek", did you mean "air_leak"?'),
    ("separator", "seperator", '[alerts] unknown key "seperator", did you mean "separator"?'),
    ("missing =", "xyz =", 'unknown key "xyz", there are name, about, match'),
    ('set_pressure = "kPa"', 'set_pressure = "kPaa"', 'unit "kPaa" is not one of pressure; did you mean "kPa"?'),
    ('air_leak = "L/min"', 'air_leak = "L"', 'unit "L" is not one of flow'),
    ('tilt = "rad"\n', "", '[units] does not say the unit of tilt; add it, like tilt = "deg".'),
    ("Europe/Helsinki", "Europe/Helsinky", '"Europe/Helsinky" is not an IANA time zone; write one like Europe/Zurich.'),
    ('on = "run"', 'on = "runs"', "[states] on: "),
    ('format = "%d.%m.%Y %H:%M"\ntimezone', "timezone", '[clock] key "format" is missing; add it.'),
    ('"%d.%m.%Y %H:%M"\ntimezone', '"%d.%m.%Y"\ntimezone', 'the format "%d.%m.%Y" does not tell day and minute'),
    ("(?P<device>", "(", "has no group (?P<device>…); name the part that is meant."),
    ("(?P<exported_at>", "(?P<exported_at", "is not a regular expression"),
    ('M1 = "canister_full"', 'M1 = "canister_ful"', 'alert M1 means "canister_ful", which is none of battery_low'),
    ('delimiter = ";"', 'delimiter = ","', 'delimiter and decimal are both ","; one of them is wrong.'),
    ('delimiter = ";"', 'delimiter = "ab"', "delimiter: "),
    ("windows-1252", "windows-125", 'encoding "windows-125" is not known; write one like utf-8 or windows-1252.'),
    ('state = "Mode"\n', "", "neither [columns] nor [constants] says state; add it."),
    ("[device]\n", '[device]\nconstant = "x"\n', "give exactly one of constant, column, line, file_name; there are 2."),
    ("[units]", '[constants]\nstate = "run"\n[units]', "state is in both [columns] and [constants]; keep one."),
    ("skip_lines = 2", 'skip_lines = 2\nheader_starts = "No"', "skip_lines and header_starts both say where the header is"),
    ('alerts = "Messages"', 'alerts = "Messages"\ntrace = "Wave"', "a trace needs both its column in [columns] and its settings"),
    ("skip_lines = 2", 'skip_lines = 2\noptional = ["state"]', 'optional names "state", which no log can do without'),
    ('name = "north"', 'name = "No rth"', "name: "),
    ('name = "north"', "name = ", "is not valid TOML"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "sentence"), MISTAKES)
def test_a_mistake_in_a_profile_is_told_in_one_sentence(old: str, new: str, sentence: str) -> None:
    assert old in TEXT["north"]
    with pytest.raises(InputError) as error:
        parse_profile(TEXT["north"].replace(old, new, 1), "north.toml")
    assert sentence in str(error.value)
    assert "north.toml" in str(error.value)
    assert "\n" not in str(error.value).removeprefix("north.toml is not valid TOML")


def test_all_unknown_keys_are_named() -> None:
    text = TEXT["north"].replace("separator", "seperator").replace("decimal =", "decimel =")
    with pytest.raises(InputError) as error:
        parse_profile(text)
    assert '[alerts] unknown key "seperator", did you mean "separator"?' in str(error.value)
    assert 'unknown key "decimel", did you mean "decimal"?' in str(error.value)


def test_a_profile_carries_its_exact_text_and_a_digest_of_it() -> None:
    text = TEXT["north"] + "# a remark\n"
    profile = parse_profile(text)
    assert profile.text == text
    assert profile.digest != parse_profile(TEXT["north"]).digest
    assert profile.columns == parse_profile(TEXT["north"]).columns


def test_shipped_profiles_are_v1_and_those_of_the_folder() -> None:
    folder = sorted(path.stem for path in (SHARED / "profiles").glob("*.toml"))
    assert [profile.name for profile in PROFILES] == ["v1", *folder]
    assert len(folder) >= 3


@pytest.mark.parametrize("name", TEXT)
def test_each_shipped_profile_reads_invented_lines_of_its_layout_and_no_other_does(name: str) -> None:
    files = sorted(DATA.glob(f"{name}[_.]*"))
    assert files, f"put a few invented lines into {DATA}/{name}_….csv"
    for file in files:
        answer = read(file.read_bytes(), file.name)
        assert answer.file["profile"] == name
        assert answer.file["status"] == "loaded"


def test_a_folder_adds_its_profiles_and_a_second_one_of_a_name_is_refused(tmp_path: Path) -> None:
    (tmp_path / "east.toml").write_text(TEXT["north"].replace('name = "north"', 'name = "east"', 1))
    assert [profile.name for profile in load_profiles(tmp_path)][-1] == "east"
    (tmp_path / "north.toml").write_text(TEXT["north"])
    with pytest.raises(InputError, match="profile 'north' is there twice"):
        load_profiles(tmp_path)


def test_a_profile_is_called_as_its_file_is(tmp_path: Path) -> None:
    (tmp_path / "west.toml").write_text(TEXT["north"])
    with pytest.raises(
        InputError, match=r'west.toml calls its profile "north"; give file and profile the same name'
    ):
        load_profiles(tmp_path)


def test_a_profile_that_is_not_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "west.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match=r"west\.toml: is not UTF-8 text; save it as UTF-8\."):
        load_profiles(tmp_path)


def test_a_clock_with_offsets_cannot_be_one_that_ignores_summer_time() -> None:
    text = TEXT["upland"].replace('"Asia/Kathmandu"', '"Asia/Kathmandu"\nclock_follows_dst = false')
    with pytest.raises(InputError, match="is read as local time; take clock_follows_dst out"):
        parse_profile(text)


def test_an_angle_is_no_share_and_a_share_no_angle() -> None:
    with pytest.raises(InputError):
        factor_to_ours("rad", Quantity.SHARE)
    with pytest.raises(InputError):
        factor_to_ours("%", Quantity.ANGLE)


@pytest.mark.parametrize("unit", ["", "3 kPa", "kPa; import os", "__import__('os')", "kpa", "m", "degC"])
def test_what_is_no_unit_of_pressure_is_refused_by_name(unit: str) -> None:
    with pytest.raises(InputError, match="is not one of pressure"):
        factor_to_ours(unit, Quantity.PRESSURE)


ODD_VALUES: list[Any] = [0, -1, 1.5, True, "", "x", "(", "%Y", [], ["a", 1], {}, {"x": 1}, "\u00e9" * 3]


def _keys(table: dict[str, Any], within: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in table.items():
        yield (*within, key)
        if isinstance(value, dict):
            yield from _keys(value, (*within, key))


def _refusal(text: str) -> str:
    try:
        parse_profile(text, "odd.toml")
    except InputError as error:
        return str(error)
    return ""


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {_toml(inner)}" for key, inner in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return json.dumps(value)


@pytest.mark.parametrize("name", TEXT)
def test_whatever_stands_at_a_key_the_profile_is_read_or_refused_in_one_sentence(name: str) -> None:
    for key in _keys(tomllib.loads(TEXT[name])):
        for value in ODD_VALUES:
            table = whole = tomllib.loads(TEXT[name])
            for part in key[:-1]:
                table = table[part]
            table[key[-1]] = value
            text = "\n".join(f"{json.dumps(top)} = {_toml(inner)}" for top, inner in whole.items())
            refusal = _refusal(text)
            assert "\n" not in refusal, (key, value)
            assert not refusal or refusal.endswith("Edit odd.toml."), (key, value)
