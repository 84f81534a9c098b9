"""Strips for human readers: drawn by chance but the same each time, some of everything, told by nothing."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.definitions import load_definitions
from pipeline.extract.strip_frame import QUESTIONS, QUIET, STRATA, as_shown, strip_frame
from pipeline.extract.strip_picture import shown_traces, trace_span
from pipeline.extract.strip_sample import draw_strips
from schemas.errors import CallError
from schemas.lake import COURSE

RULES = load_definitions().strips
START = datetime(2031, 3, 10, 8, tzinfo=UTC)
KEY = b"k" * 32


def _frame(counts: dict[tuple[str, str, bool], int]) -> pl.DataFrame:
    rows = [
        (f"D{stratum}{site}{traced}{n}", site, n, stratum, traced)
        for (stratum, site, traced), number in counts.items()
        for n in range(number)
    ]
    names = ["drain_id", "site", "window", "stratum", "traced"]
    return pl.DataFrame(rows, schema=names, orient="row")


CELLS = st.dictionaries(
    st.tuples(st.sampled_from([*STRATA, QUIET]), st.sampled_from(["a", "b"]), st.booleans()),
    st.integers(1, 30),
    min_size=1,
)


@given(CELLS, st.integers(1, 40), st.integers(0, 5))
def test_as_many_as_asked_each_once_with_the_weight_of_its_stratum(
    cells: dict[tuple[str, str, bool], int], number: int, seed: int
) -> None:
    frame = _frame(cells)
    if frame.height < number:
        with pytest.raises(CallError, match="ask for fewer"):
            draw_strips(frame, number, seed, KEY, RULES)
        return
    drawn = draw_strips(frame, number, seed, KEY, RULES)
    assert drawn.height == number
    assert drawn.select("drain_id", "window").is_duplicated().sum() == 0
    assert drawn["strip"].is_unique().all()
    # Each stratum that was drawn from is given back whole by its weights.
    back = drawn.group_by("stratum", "site", "traced").agg(pl.col("weight").sum())
    for stratum, site, traced, weight in back.rows():
        assert weight == pytest.approx(cells[stratum, site, traced])
    again = draw_strips(frame.sample(fraction=1, shuffle=True, seed=seed), number, seed, KEY, RULES)
    assert again.equals(drawn)


def test_every_kind_is_seen_and_a_quarter_are_controls() -> None:
    cells = {(kind, "a", True): 50 for kind in STRATA} | {
        (QUIET, "a", True): 5000,
        ("clamped", "b", False): 3,
    }
    drawn = Counter(draw_strips(_frame(cells), 40, 1, KEY, RULES)["stratum"])
    assert drawn[QUIET] == 10
    assert min(drawn[kind] for kind in STRATA) >= 3


def test_another_seed_or_another_key_draws_others() -> None:
    frame = _frame({(QUIET, "a", True): 500})
    draws = [
        set(draw_strips(frame, 20, seed, key, RULES)["drain_id"])
        for seed, key in ((1, KEY), (2, KEY), (1, b"j"))
    ]
    assert all(len(one & other) < 10 for one in draws for other in draws if one is not other)


def test_the_order_of_the_strips_tells_nothing_of_their_strata() -> None:
    frame = _frame({(QUIET, "a", True): 200, ("clamped", "a", True): 200})
    strata = draw_strips(frame, 200, 1, KEY, RULES)["stratum"].to_list()
    changes = sum(a != b for a, b in pairwise(strata))
    assert changes > 50  # of 199; sorted by stratum there would be one


def _course(minutes: int, **columns: object) -> pl.DataFrame:
    rows = pl.DataFrame({"minute": [START + timedelta(minutes=n) for n in range(minutes)]})
    usual = {
        "use_id": "U",
        "site": "a",
        "device": "d",
        "session": 1,
        "utc_offset_minutes": 60,
        "span": 0,
        "observed": True,
        "volume_read": False,
        "tidaling": "present",
        "tidaling_basis": "trace",
        "assessable": True,
        "leak_on": False,
        "air_leak_ml_min": 0.0,
        "clock_step": False,
    }
    flags = columns.pop("flags", [[]] * minutes)
    made = rows.with_columns(**{k: pl.lit(v) for k, v in usual.items()}).with_columns(
        flags=pl.Series(flags, dtype=pl.List(pl.String)),
        **{k: pl.Series(v) if isinstance(v, list) else pl.lit(v) for k, v in columns.items()},
    )
    return COURSE.conform(made)


def _windows(course: pl.DataFrame) -> list[dict[str, object]]:
    drains = pl.DataFrame({"drain_id": ["D"], "site": ["a"]})
    spans = pl.DataFrame(
        {"drain_id": ["D"], "use_id": ["U"], "from_at": [START], "until_at": [START + timedelta(days=1)]}
    )
    return strip_frame(drains, spans, course, RULES).to_dicts()


def test_windows_follow_one_another_and_a_short_rest_is_none() -> None:
    found = _windows(_course(150))
    assert [row["from_at"] for row in found] == [START, START + timedelta(hours=1)]
    assert found[0]["stratum"] == "tidaling_present"
    assert {q: found[0][q] for q in QUESTIONS} == {
        "tidaling": "present",
        "leak": "no",
        "blocked": "no",
        "clamped": "no",
        "line_open": "no",
        "disturbed": "no",
    }


def test_one_minute_of_a_finding_is_enough_and_the_gravest_names_the_stratum() -> None:
    flags: list[list[str]] = [[] for _ in range(60)]
    flags[7], flags[9] = ["cough"], ["clamped"]
    [found] = _windows(_course(60, flags=flags))
    assert (found["stratum"], found["clamped"], found["disturbed"], found["blocked"]) == (
        "clamped",
        "yes",
        "yes",
        "no",
    )


def test_what_was_not_read_cannot_be_told() -> None:
    [found] = _windows(
        _course(60, tidaling="indeterminate", tidaling_basis=None, air_leak_ml_min=None, leak_on=None)
    )
    assert {q: found[q] for q in QUESTIONS} == dict.fromkeys(QUESTIONS, "cannot_tell")
    assert found["stratum"] == QUIET


def test_half_and_half_is_neither() -> None:
    [found] = _windows(_course(60, tidaling=["present"] * 30 + ["absent"] * 30))
    assert found["tidaling"] == "cannot_tell"
    [found] = _windows(_course(60, tidaling=["present"] * 29 + ["absent"] * 31))
    assert (found["tidaling"], found["stratum"]) == ("absent", "tidaling_absent")


def test_a_window_of_which_much_is_missing_is_no_strip() -> None:
    gappy = _course(60).with_columns(observed=pl.int_range(pl.len()) % 5 != 0)
    assert _windows(gappy) == []


def test_what_disturbs_a_trace_that_is_not_shown_is_not_asked_of_readers() -> None:
    flags: list[list[str]] = [[] for _ in range(120)]
    flags[67] = ["cough"]
    found = _windows(_course(120, flags=flags))
    assert [row["disturbed_at"] for row in found] == [[], [7]]
    drawn = pl.DataFrame(found).with_columns(strip=pl.Series(["A", "B"]))
    for shown, answers in (
        ({"A": [0], "B": [0, 7]}, ["no", "yes"]),
        ({"A": [], "B": [0, 8]}, ["cannot_tell", "no"]),
    ):
        assert as_shown(drawn, shown)["disturbed"].to_list() == answers


def test_six_traces_are_shown_from_the_first_to_the_last() -> None:
    minutes = pl.DataFrame({"at": list(range(60)), "samples_cmh2o": [[1.0]] * 60})
    assert shown_traces(minutes) == [0, 11, 23, 35, 47, 59]
    assert shown_traces(minutes.head(3)) == [0, 1, 2]
    assert shown_traces(minutes.with_columns(samples_cmh2o=pl.lit([], dtype=pl.List(pl.Float64)))) == []


def test_a_flicker_of_the_last_digit_does_not_fill_the_panel_as_a_breath_does() -> None:
    low, high = trace_span(np.array([-20.0, -20.1, -20.0, np.nan]))
    assert high - low == pytest.approx(5.0)
    assert (low + high) / 2 == pytest.approx(-20.05)
    assert trace_span(np.array([-30.0, -12.0])) == [-30.0, -12.0]
    assert trace_span(np.array([np.nan])) == []
