"""The minute grid: every minute between a use's first and last, and whose minute it is."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import dense_grid, over_windows, run_length
from tests.course.bedside import DEFINITIONS, NOON, Use, at, course_as_told, stretches


def cuts(*rows: tuple[str, object]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema={"use_id": pl.String, "at": pl.Datetime("us", "UTC")}, orient="row")


def test_a_minute_the_log_lacks_is_on_the_grid_with_nothing_in_it() -> None:
    grid = dense_grid(Use(5, missing=[2]).resolved, cuts())
    assert grid["minute"].to_list() == [at(t) for t in range(5)]
    lacking = grid.row(2, named=True)
    assert lacking["observed"] is False
    assert lacking["utc_offset_minutes"] == 60
    assert {lacking[name] for name in ("state", "air_leak_ml_min", "canister_volume_ml", "alerts")} == {None}


def test_missing_minutes_are_flagged_and_nothing_else_is_said_of_them() -> None:
    course = course_as_told(Use(30, missing=range(10, 14), tilt=40.0, state="pause"))
    assert stretches(course, "no_data") == [(10, 4, None)]
    assert course.minutes["flags"].to_list()[10:14] == [["no_data"]] * 4


def test_a_minute_that_begins_after_the_cut_belongs_to_the_next_tube() -> None:
    use = Use(6)
    on_the_minute = dense_grid(use.resolved, cuts((use.use_id, at(3))))
    within_the_minute = dense_grid(use.resolved, cuts((use.use_id, NOON.replace(minute=2, second=20))))
    assert on_the_minute["span"].to_list() == [0, 0, 0, 1, 1, 1]
    assert within_the_minute["span"].to_list() == [0, 0, 0, 1, 1, 1]


def test_cuts_outside_a_use_or_at_its_beginning_do_nothing() -> None:
    use = Use(4)
    grid = dense_grid(use.resolved, cuts((use.use_id, NOON), (use.use_id, at(90)), ("another", at(2))))
    assert grid["span"].to_list() == [0] * 4


def test_two_cuts_between_the_same_minutes_make_one_span() -> None:
    use = Use(4)
    both = cuts(
        (use.use_id, NOON.replace(minute=1, second=5)), (use.use_id, NOON.replace(minute=1, second=50))
    )
    assert dense_grid(use.resolved, both)["span"].to_list() == [0, 0, 1, 1]


def test_periods_end_at_a_cut() -> None:
    use = Use(40, state="pause")
    assert stretches(course_as_told(use, cuts=[(use.use_id, at(15))]), "paused") == [
        (0, 15, None),
        (15, 25, None),
    ]


def test_a_stretch_is_counted_once_and_never_across_spans() -> None:
    frame = pl.DataFrame(
        {"row": range(8), "span_no": [1, 1, 1, 1, 2, 2, 2, 2], "on": [0, 1, 1, 1, 1, 0, 1, 0]}
    )
    frame = frame.with_columns(pl.col("row").cast(pl.Int64), pl.col("on").cast(pl.Boolean))
    assert frame.select(run_length(pl.col("on"))).to_series().to_list() == [0, 3, 3, 3, 1, 0, 1, 0]


def test_an_empty_window_has_no_figures() -> None:
    frame = pl.DataFrame({"row": [0, 1, 2], "leak": [1.0, 5.0, 9.0]})
    windows = pl.DataFrame({"window": [7, 8], "from_row": [1, 2], "to_row": [2, 1]})
    assert over_windows(frame, windows, middle=pl.col("leak").median()).rows() == [(7, 7.0), (8, None)]


def test_no_uses_at_all_make_an_empty_course() -> None:
    nobody = Use(3)
    nobody.resolved, nobody.evidence, nobody.table = (
        frame.clear() for frame in (nobody.resolved, nobody.evidence, nobody.table)
    )
    course = course_as_told(nobody)
    assert [frame.height for frame in (course.minutes, course.periods, course.alerts, course.canisters)] == [
        0
    ] * 4


def test_a_use_of_one_minute_has_a_course() -> None:
    course = course_as_told(Use(1))
    assert course.minutes["leak_on"].to_list() == [None]
    assert DEFINITIONS.leak.least_minutes > 1
