"""Day and month the wrong way round pass every rule of form; the leaps they make do not."""

from __future__ import annotations

from datetime import datetime, timedelta

import polars as pl

from flows.loading.doubts import doubts
from pipeline.definitions import load_definitions
from pipeline.ingest import load_profiles, read_log
from tests.support.nights import export


def doubted(clocks: list[datetime]) -> list[str]:
    data = export(minutes=len(clocks)).encode()
    profiles = load_profiles()
    log = read_log(data, "a.csv", profiles, load_definitions())
    minutes = log.minutes.sort("line").with_columns(
        clock=pl.Series(clocks, dtype=log.minutes.schema["clock"])
    )
    wrong = log.rejected_values.with_columns(rule=pl.lit(None, pl.String))
    (profile,) = (p for p in profiles if p.name == "v1")
    return [one for one in doubts(minutes, wrong, profile, data, None, None) if "leaps" in one]


def by_hours(days: int) -> list[datetime]:
    return [datetime(2031, 4, 2) + timedelta(hours=6 * n) for n in range(4 * days)]


def turned(clock: datetime) -> datetime:
    return clock.replace(month=clock.day, day=clock.month)


def test_days_in_a_row_read_as_months_are_doubted() -> None:
    (said,) = doubted([turned(clock) for clock in by_hours(5)])
    assert "it leaps by more than a day 4 times, and 0 times were 2031-02-04 to be read as 2031-04-02" in said
    assert "[clock] format" in said


def test_days_in_a_row_and_a_log_with_a_hole_are_not() -> None:
    assert doubted(by_hours(5)) == []
    assert doubted([clock for clock in by_hours(9) if clock.day != 5]) == []
    assert doubted(by_hours(14)) == []
