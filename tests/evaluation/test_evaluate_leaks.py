"""How the end of a leak is scored where it is told as an interval, on drains made by hand."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from tests.evaluation.beside_by_hand import at, stay, value
from tests.evaluation.evaluate_fleets import Beside
from tests.evaluation.evaluate_leaks import leak_end


def ended(*told: tuple[int, int, int]) -> Beside:
    """Drains by the minute of the true end, and of the earliest and the latest that is told."""
    return replace(
        stay(1),
        drains=pl.DataFrame(
            [
                {
                    "story": "ward",
                    "leak_ended_at": at(true),
                    "leaking_at_end": False,
                    "leak_ended_at_told": at(earliest),
                    "leak_end_earliest_at": at(earliest),
                    "leak_end_latest_at": at(latest),
                    "leak_hours": 40.0,
                    "prolonged_leak": "no",
                }
                for true, earliest, latest in told
            ]
        ),
    )


def test_an_end_that_fell_into_a_hole_is_no_error_as_an_interval_and_a_large_one_in_the_column_people_read() -> (
    None
):
    found = list(leak_end(ended((500, 100, 900), (500, 300, 600), (500, 502, 502))))
    assert value(found, "leak end: median error, min") == 0
    assert value(found, "leak end: error of `leak_ended_at`, median, min") == 200
    assert value(found, "leak end: error of `leak_ended_at` where the end is an interval, median, min") == 300
    assert value(found, "leak end: told as an interval") == 2 / 3
    assert value(found, "leak end: length of the intervals, median, min") == 550


def test_ends_told_to_the_minute_have_no_intervals_to_measure() -> None:
    found = list(leak_end(ended((500, 510, 510))))
    assert value(found, "leak end: error of `leak_ended_at`, 95th percentile, min") == 10
    assert value(found, "leak end: told as an interval") == 0
    assert value(found, "leak end: length of the intervals, median, min") is None
