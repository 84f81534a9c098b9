"""What the cohort's page says first, of leaks that still went on at the threshold."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.report.holdings import _at_threshold


def told_of(low: float | None, still: float) -> str:
    row = {"site": None, "hours": 120.0, "watched": 4, "still_leaking": still}
    bounds = {"still_leaking_low": low, "still_leaking_high": None if low is None else low + 0.2}
    schema = {"site": pl.String, "still_leaking_low": pl.Float64, "still_leaking_high": pl.Float64}
    frame = pl.DataFrame([row | bounds], schema_overrides=schema)
    ((_, _, beside),) = _at_threshold(lambda _sql: frame)
    return beside


@pytest.mark.parametrize("still", [0.0, 1.0])
def test_all_or_none_without_an_interval_says_why_and_is_not_taken_for_certain(still: float) -> None:
    assert "there is no interval, however few were watched to the end" in told_of(None, still)


def test_an_interval_is_said_where_there_is_one() -> None:
    assert told_of(0.1, 0.2).endswith("95 % interval 10.0 to 30.0 %")
