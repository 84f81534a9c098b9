"""Every drain of the ledger is in the extract or counted once, by the first criterion it does not meet."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.extract import Cohort, parse_cohort
from pipeline.extract.own_words import IdleWord, idle_words
from pipeline.extract.selection import FLOW, select_drains
from pipeline.extract.suppression import suppressed
from schemas.errors import InputError

_SCHEMA = {
    "drain_id": pl.String,
    "site": pl.String,
    "unit": pl.String,
    "procedure": pl.String,
    "side": pl.String,
    "sex": pl.String,
    "adhesions": pl.String,
    "pneumothorax_after": pl.String,
    "age_years": pl.Float64,
    "bmi": pl.Float64,
    "fev1_pct": pl.Float64,
    "tube_french": pl.Float64,
    "removal_reason": pl.String,
    "linked": pl.Boolean,
    "shared_use": pl.Boolean,
    "minutes_observed": pl.Int32,
    "completeness": pl.Float64,
    "prolonged_leak": pl.String,
    "origin_day": pl.Date,
}
_MAPPING = '[mapping.procedure]\n"lob" = "lobectomy"\n"lob." = "lobectomy"\n"w" = "wedge"\n'


def _drains(rows: list[dict[str, object]]) -> pl.DataFrame:
    usual: dict[str, object] = {
        "site": "a",
        "unit": "u",
        "procedure": "lob",
        "side": "left",
        "linked": True,
        "shared_use": False,
        "minutes_observed": 600,
        "completeness": 1.0,
        "prolonged_leak": "no",
        "origin_day": date(2031, 3, 1),
    }
    full = [dict.fromkeys(_SCHEMA) | usual | row | {"drain_id": f"D{i}"} for i, row in enumerate(rows)]
    return pl.DataFrame(full, schema=_SCHEMA)


def _select(who: str, rows: list[dict[str, object]]) -> tuple[list[int], list[tuple[int, str, int]]]:
    cohort = parse_cohort(f'cohort = 1\nname = "a"\ntitle = "A"\n[who]\n{who}\n{_MAPPING}')
    chosen = select_drains(_drains(rows), cohort)
    return (
        [int(i[1:]) for i in chosen.drains["drain_id"]],
        [(r[0], r[1], r[3]) for r in chosen.flow.rows() if r[3]],
    )


def test_an_unknown_value_is_left_out_as_unknown_not_as_outside() -> None:
    rows: list[dict[str, object]] = [{"age_years": 50}, {"age_years": None}, {"age_years": 17.9}]
    assert _select("age_years = { least = 18 }", rows) == (
        [0],
        [(0, "all", 3), (1, "outside", 1), (1, "unknown", 1), (2, "included", 1)],
    )


def test_bounds_are_within_and_ages_are_whole_years() -> None:
    rows: list[dict[str, object]] = [{"age_years": 18}, {"age_years": 80.9}, {"age_years": 81}]
    assert _select("age_years = { least = 18, most = 80 }", rows)[0] == [0, 1]


def test_the_first_day_counts_and_the_last_does_not() -> None:
    days = [date(2031, 2, 28), date(2031, 3, 1), date(2031, 3, 31), date(2031, 4, 1)]
    who = "origin_from = 2031-03-01\norigin_before = 2031-04-01"
    assert _select(who, [{"origin_day": day} for day in days])[0] == [1, 2]


def test_a_drain_is_counted_by_the_first_criterion_it_misses() -> None:
    rows: list[dict[str, object]] = [{}, {"side": "right", "linked": False}, {"side": "right"}]
    assert _select('linked_only = true\nsides = ["left"]', rows)[1][1:3] == [
        (1, "outside", 1),
        (2, "outside", 1),
    ]
    assert _select('sides = ["left"]\nlinked_only = true', rows)[1][1:2] == [(1, "outside", 2)]


def test_procedures_are_those_of_the_mapping() -> None:
    rows: list[dict[str, object]] = [{"procedure": p} for p in ("lob", "lob.", "w", "other", None)]
    assert _select('procedures = ["lobectomy"]', rows) == (
        [0, 1],
        [(0, "all", 5), (1, "outside", 2), (1, "unknown", 1), (2, "included", 2)],
    )


@pytest.mark.parametrize(
    ("who", "told"),
    [
        ('sites = ["b"]', 'no drain of the ledger has "b"; there are a.'),
        ('units = ["uu"]', 'did you mean "u"?'),
        ('procedures = ["wedge"]', 'no drain of the ledger has "w"'),
        ('sides = ["right"]', "selects none of the 1 drains: 1 left out by side: right. Loosen [who]."),
        ("age_years = { least = 18 }", "1 not known by age in whole years at least 18"),
    ],
)
def test_a_cohort_that_finds_nobody_says_why(who: str, told: str) -> None:
    with pytest.raises(InputError) as error:
        _select(who, [{}])
    assert told in str(error.value)


def test_a_slip_in_a_mapping_that_would_lose_drains_is_an_error() -> None:
    for there, told in (("w resection", "w resection"), ("W", "W")):
        with pytest.raises(InputError) as error:
            _select('procedures = ["wedge", "lobectomy"]', [{}, {"procedure": there}])
        assert f'[mapping.procedure]: no drain of the ledger has "w", but some have "{told}"' in str(
            error.value
        )
        assert f'or map "{told}" too.' in str(error.value)


def _cohort(mapping: str) -> Cohort:
    return parse_cohort(f'cohort = 1\nname = "a"\ntitle = "A"\n[mapping.procedure]\n{mapping}')


def test_a_word_of_a_mapping_that_no_drain_has_is_named_with_the_nearest_that_none_maps() -> None:
    drains = _drains([{}, {"procedure": "wedge resection"}, {"procedure": None}])
    cohort = _cohort('"lob" = "lobectomy"\n"lob." = "lobectomy"\n"wedge" = "wedge"\n"quite other" = "o"')
    assert idle_words(drains, cohort) == (
        IdleWord("procedure", "lob.", None),  # "lob" is like it, but has its own line
        IdleWord("procedure", "wedge", "wedge resection"),
        IdleWord("procedure", "quite other", None),
    )
    assert idle_words(drains, _cohort('"lob" = "lobectomy"')) == ()


def test_a_spare_word_of_another_house_is_no_error() -> None:
    assert _select('procedures = ["lobectomy"]', [{}, {"procedure": "bullectomy"}])[0] == [0]


def test_drains_left_out_for_a_word_that_no_mapping_names_are_counted() -> None:
    rows: list[dict[str, object]] = [
        {"procedure": word, "side": side}
        for word, side in (("lob", "left"), ("w", "left"), ("x", "left"), ("y", "left"), ("z", "right"))
    ]
    text = f'[who]\nsides = ["left"]\nprocedures = ["lobectomy"]\n{_MAPPING}'
    cohort = parse_cohort(f'cohort = 1\nname = "a"\ntitle = "A"\n{text}')
    assert select_drains(_drains(rows), cohort).unmapped_out == {"procedure": 2}


_VALUES = {
    "side": ["left", "right", None],
    "procedure": ["lob", "w", "x", None],
    "age_years": [10.0, 40.0, 88.5, 95.0, None],
    "linked": [True, False],
    "completeness": [0.2, 0.9, None],
    "removal_reason": ["planned", "died", None],
    "shared_use": [True, False],
    "origin_day": [date(2031, 1, 1), date(2031, 6, 1)],
}
_CRITERIA = [
    'sides = ["left"]',
    'procedures = ["lobectomy"]',
    "age_years = { least = 18, most = 89 }",
    "linked_only = true",
    "completeness = { least = 0.8 }",
    'removal_reasons = ["planned"]',
    'shared_use = "without"',
    "origin_from = 2031-02-01",
]


@given(
    st.lists(
        st.fixed_dictionaries({name: st.sampled_from(v) for name, v in _VALUES.items()}),
        min_size=1,
        max_size=30,
    ),
    st.permutations(_CRITERIA).flatmap(lambda order: st.integers(0, len(order)).map(lambda n: order[:n])),
)
def test_included_and_left_out_are_all(rows: list[dict[str, object]], criteria: list[str]) -> None:
    rows = [
        *rows,
        {"side": "left", "age_years": 50.0, "removal_reason": "planned", "origin_day": date(2031, 3, 1)},
    ]
    chosen, flow = _select("\n".join(criteria), rows)
    counts = {
        what: sum(n for _, w, n in flow if w == what) for what in ("all", "outside", "unknown", "included")
    }
    assert counts["all"] == len(rows)
    assert counts["outside"] + counts["unknown"] + counts["included"] == counts["all"]
    assert counts["included"] == len(chosen)
    # The same drains in whatever order the criteria are asked.
    assert _select("\n".join(sorted(criteria)), rows)[0] == chosen


def _flow(out: list[int], included: int) -> pl.DataFrame:
    total = sum(out) + included
    rows = [(0, "all", None, total)]
    rows += [(i // 2 + 1, ("outside", "unknown")[i % 2], "c", n) for i, n in enumerate(out)]
    rows.append((len(out) // 2 + 1, "included", None, included))
    return pl.DataFrame(rows, schema=FLOW.dtypes, orient="row")


@given(
    st.lists(st.integers(0, 12), min_size=2, max_size=8).filter(lambda n: len(n) % 2 == 0),
    st.integers(1, 40),
    st.integers(1, 8),
)
def test_no_small_count_is_told_and_none_can_be_reckoned_back(
    out: list[int], included: int, least: int
) -> None:
    exact = _flow(out, included)
    told = suppressed(exact, least)
    pairs = list(zip(exact["drains"], told["drains"], strict=True))
    assert all(t is None or t == e for e, t in pairs)
    assert told["drains"][-1] == included
    assert not [n for n in told["drains"][1:-1] if n is not None and 0 < n < least]
    hidden = [e for e, t in pairs[1:-1] if t is None]
    if hidden and told["drains"][0] is not None:
        # All that the sum of a flow tells is the sum of the hidden ones: at least two, and not small.
        assert len(hidden) >= 2
        assert sum(hidden) >= least
    if not [n for n in out if 0 < n < least]:
        assert told.equals(exact)
