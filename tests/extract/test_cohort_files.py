"""A cohort file says whose drains; what is wrong with it is said in one sentence."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from pipeline.extract import parse_cohort, read_cohort
from pipeline.extract.cohort_reading import written_cohort
from pipeline.extract.keys import ExtractKey
from pipeline.extract.sealing import sealed
from schemas.errors import CallError, InputError, Slips
from shared import SHARED

_HEAD = 'cohort = 1\nname = "a"\ntitle = "A"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[who]\nsights = ["x"]', '[who] unknown key "sights", did you mean "sites"?'),
        ("[giv]\n", 'unknown key "giv", did you mean "give"?'),
        ("[who]\nage_years = { leest = 3 }", '[who.age_years] unknown key "leest", did you mean "least"?'),
        ("[who]\nage_years = {}", "says neither least nor most"),
        ("[who]\nbmi = { least = 30, most = 20 }", "least 30 lies above most 20"),
        ("[who]\nage_years = { least = 95 }", "are one group"),
        ("[who]\norigin_from = 2031-02-01\norigin_before = 2031-01-01", "no day lies between them"),
        ("[who]\norigin_from = 2031-02-01\norigin_before = 2031-02-01", "no day lies between them"),
        ('[who]\nsides = ["lef"]', '"lef" is not one of its words; write "left" or "right".'),
        ("[who]\nsites = []", "[who] sites: names nothing; name at least one"),
        ('[who]\nprocedures = ["a"]', "free text leaves the house only through a mapping"),
        (
            '[who]\nprocedures = ["lobectomi"]\n[mapping.procedure]\nx = "lobectomy"',
            'did you mean "lobectomy"?',
        ),
        ('[give]\ntables = ["drain", "perod"]', 'there is no table "perod", did you mean "period"?'),
        ('[give]\ntables = ["period"]', '"drain" is missing'),
        ('[give]\ntables = ["drain", "drain_hour"]', "hourly = true"),
        ('[give]\nunit = "mapped"', "go together"),
        ("[give]\nleast_cell = 0", "0 is too small; write 1 or more."),
        ('[mapping.procedure]\nx = "=1+1"', "cannot leave as a word"),
        ('[mapping.procedure]\nx = "rare"', "has a meaning of its own"),
        ("[who]\nlinked_only = false", "linked_only"),
        ("who = 3", "who"),
        ("[who", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_named(text: str, told: str) -> None:
    with pytest.raises(InputError) as error:
        parse_cohort(_HEAD + text, "a.toml")
    said = str(error.value)
    assert told in said
    assert said.startswith("cohort a.toml: ")
    assert "\n" not in said


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            '[who]\nprocedures = "wedge"',
            '[who] procedures: "wedge" is no list; write procedures = ["wedge"].',
        ),
        ("[who]\nage_years = 18", "18 is no range; write { least = 18 }, { most = 18 } or both."),
        ("[who]\nage_years = [18, 80]", "[18, 80] is no range; write { least = 18, most = 80 }."),
        (
            '[who]\nage_years = { least = "18" }',
            'least: "18" is no number; write least = 18, without quotes.',
        ),
        ("[who]\nage_years = { least = true }", "true is no number"),
        ("[who]\nage_years = { least = nan }", "[who.age_years] least: nan bounds nothing; write a number"),
        ("[who]\nbmi = { least = 20, most = inf }", "[who.bmi] most: inf bounds nothing; write a number"),
        (
            '[who]\norigin_from = "2031-01-01"',
            '[who] origin_from: "2031-01-01" is text; write the day alone and without quotes: '
            "origin_from = 2031-01-01.",
        ),
        ("[who]\norigin_before = 2031-01-01T00:00:00", "without quotes: origin_before = 2031-01-01."),
        ("[who]\norigin_before = 2031-01-01T09:30:00Z", "without quotes: origin_before = 2031-01-01."),
        ("[who]\nlinked_only = 1", "[who] linked_only: can only be true"),
        ('[give]\nhourly = "yes"', "write hourly = true, without quotes."),
        ("[give]\nleast_cell = true", "true is no whole number"),
        ("[mapping]\nprocedure = 3", "write [mapping.procedure] and below it"),
        ("who = 3", "who: 3 is no table; write a line [who] and its keys below it."),
    ],
)
def test_a_value_of_the_wrong_kind_is_refused_and_the_right_way_is_shown(text: str, told: str) -> None:
    with pytest.raises(InputError) as error:
        parse_cohort(_HEAD + text, "a.toml")
    said = str(error.value)
    assert told in said
    assert not re.search("Input should|valid tuple|dictionary|instance|validation|pattern", said)
    assert said.count("mend") <= 1


def _told(text: str) -> list[str]:
    with pytest.raises(Slips) as error:
        parse_cohort(text, "a.toml")
    return [said.removeprefix("cohort a.toml: ") for said in error.value.told]


def test_every_slip_is_told_in_one_run_also_those_that_hide_behind_others() -> None:
    told = _told(
        'cohort = 1\nname = "a"\ntitel = "A"\n[who]\norigin_from = 31.1.2031\norigin_before = 2030-01-01\n'
        'sides = ["lef"]\nprocedures = ["wedge"]\nbmi = { most = 400 }\n[give]\nhourly = yes\nunit = "mapped"'
    )
    assert told == [
        "line 5: 31.1.2031 is no day of TOML; write origin_from = 2031-01-31.",
        "line 11: yes is no word of TOML; write hourly = true.",
        'unknown key "titel", did you mean "title"?',
        '[who] sides: "lef" is not one of its words; write "left" or "right".',
        "[who] origin_from 2031-01-31 is not before origin_before 2030-01-01: no day lies between them; write "
        "the earlier day as origin_from.",
        "[who] procedures needs [mapping.procedure]: free text leaves the house only through a mapping; add one.",
        '[give] unit = "mapped" and [mapping.unit] go together; add or drop one.',
        "[who.bmi] most: 400 lies outside what a registry row may hold (5 to 150 kg/m2); mend it, or take most out.",
    ]


@pytest.mark.parametrize(
    "text",
    [
        '[who]\nprocedures = ["wedge"]\n[mapping]\nprocedure = 3',
        '[give]\nunit = "maped"\n[mapping.unit]\nx = "y"',
        '[give]\ntables = ["drian", "period"]',
        '[who]\nsides = ["lef"]',
    ],
)
def test_what_only_follows_from_a_slip_is_not_told(text: str) -> None:
    assert len(_told(_HEAD + text)) == 1


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ('unit = "T4"', '[who] unknown key "unit", did you mean units = ["T4"]?'),
        (
            'origin_from = "31.01.2031"',
            '[who] origin_from: "31.01.2031" is a day in another order; write it without quotes: '
            "origin_from = 2031-01-31.",
        ),
        (
            'origin_from = "03/04/2031"',  # the fourth of March, or the third of April
            '[who] origin_from: "03/04/2031" is a day in another order; write it without quotes: '
            "year-month-day, as in 2031-01-31.",
        ),
        ("linked_only = True", "line 5: True is no word of TOML; write linked_only = true."),
        (
            "completeness = { least = 95 }",
            "[who.completeness] least: 95 is no share, which goes from 0 to 1; write 0.95 for 95 %.",
        ),
        (
            "fev1_pct = { least = 251 }",
            "[who.fev1_pct] least: 251 lies outside what a registry row may hold (0 to 250 %); mend it, or take "
            "least out.",
        ),
        (
            "observed_hours = { most = -1 }",
            "[who.observed_hours] most: -1 lies outside what can be (0 hours or more); mend it, or take most out.",
        ),
    ],
)
def test_a_slip_that_many_make_is_told_with_what_was_meant(line: str, told: str) -> None:
    assert _told(f"{_HEAD}[who]\n{line}") == [told]


def test_ends_that_a_registry_may_hold_are_taken() -> None:
    cohort = parse_cohort(_HEAD + "[who]\nbmi = { least = 5, most = 150 }\ncompleteness = { least = 1 }")
    assert cohort.who.criteria == ("bmi", "completeness")


def test_an_extract_made_with_an_end_out_of_reach_can_still_be_made_again() -> None:
    content = {"cohort": 1, "name": "a", "title": "A", "who": {"bmi": {"most": 400}}}
    assert str(written_cohort(content, "manifest.json").who.bmi) == "at most 400"


def test_a_bad_name_is_told_in_words_with_a_good_one() -> None:
    with pytest.raises(InputError) as error:
        parse_cohort('cohort = 1\nname = "My Cohort"\ntitle = "A"', "a.toml")
    said = str(error.value)
    assert 'name: "My Cohort" is no name' in said
    assert 'name = "my_cohort".' in said
    assert "^" not in said


def test_days_that_are_turned_round_are_told_once() -> None:
    with pytest.raises(InputError) as error:
        parse_cohort(_HEAD + "[who]\norigin_from = 2031-02-01\norigin_before = 2031-01-01", "a.toml")
    assert str(error.value) == (
        "cohort a.toml: [who] origin_from 2031-02-01 is not before origin_before 2031-01-01: "
        "no day lies between them; write the earlier day as origin_from."
    )


def test_what_is_written_as_a_cohort_is_read_again_as_the_same() -> None:
    text = "[who]\nage_years = { least = 18, most = 80.5 }\norigin_from = 2031-01-01\nlinked_only = true"
    cohort = parse_cohort(_HEAD + text + '\nsides = ["left"]\n[give]\nleast_cell = 3\ndates = "hours"')
    again = written_cohort(json.loads(cohort.canonical()), "a.toml")
    assert again == cohort
    assert again.canonical() == cohort.canonical()


def test_a_missing_key_is_named() -> None:
    with pytest.raises(InputError, match='key "title" is missing'):
        parse_cohort('cohort = 1\nname = "a"', "a.toml")


def test_a_file_that_is_not_there_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(CallError, match="cannot be read"):
        read_cohort(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"title = '\xe9'")
    with pytest.raises(InputError, match="UTF-8"):
        read_cohort(tmp_path / "latin.toml")


def test_criteria_are_in_the_order_of_the_file() -> None:
    cohort = parse_cohort(_HEAD + '[who]\nsides = ["left"]\nlinked_only = true\nsites = ["x"]')
    assert cohort.who.criteria == ("sides", "linked_only", "sites")
    assert cohort.canonical().index("sides") < cohort.canonical().index("linked_only")


def test_every_shipped_cohort_is_valid() -> None:
    shipped = sorted((SHARED / "cohorts").glob("*.toml"))
    assert len(shipped) >= 3
    for path in shipped:
        assert read_cohort(path).name == path.stem


def test_a_sealed_cohort_holds_no_own_word_and_sealing_twice_changes_nothing() -> None:
    cohort = parse_cohort(
        _HEAD
        + '[who]\nsites = ["lakeside"]\nunits = ["Ward 7"]\n[mapping.procedure]\n"lob. Dr Quill" = "lobectomy"'
    )
    key = ExtractKey(b"secret", "X1")
    once = sealed(cohort, key)
    for word in ("lakeside", "Ward 7", "Quill"):
        assert word not in once.canonical()
    assert "lobectomy" in once.canonical()
    assert sealed(once, key).canonical() == once.canonical()
    assert sealed(cohort, ExtractKey(b"secret", "X2")).canonical() != once.canonical()
