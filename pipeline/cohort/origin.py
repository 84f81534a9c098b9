"""Where a drain's durations begin, and on which local day."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import polars as pl

from pipeline.zones import zone_named
from schemas.table import DAY, INSTANT


def with_origin(drains: pl.DataFrame) -> pl.DataFrame:
    """
    Add `origin_at` (end of procedure; else tube in; else first minute) and its local `origin_day`.

    The day is taken with the standard library's zones, the same that turn wall clocks into UTC.

    Parameters
    ----------
    drains
        `procedure_end_at`, `tube_in_at`, `started_at`, `timezone`.
    """
    found = drains.with_columns(origin_at=pl.coalesce("procedure_end_at", "tube_in_at", "started_at"))
    days = [
        None if origin is None else _day(origin, zone)
        for origin, zone in found.select("origin_at", "timezone").iter_rows()
    ]
    return found.with_columns(origin_day=pl.Series(days, dtype=DAY))


def _day(instant: datetime, zone: str) -> object:
    return instant.astimezone(zone_named(zone)).date()


def with_threshold(cases: pl.DataFrame) -> pl.DataFrame:
    """
    Add `threshold_at`: the instant beyond which a leak is prolonged by the case's definition.

    So many minutes (`threshold`) after `origin_at`; or, where that is null, the local midnight that ends a
    postoperative day of the calendar (`through_day`), for which `origin_day` and `timezone` are needed.
    """
    day = ["origin_day", "timezone", "through_day"]
    days = cases.select(day).unique(maintain_order=True).drop_nulls()
    instants = [
        datetime.combine(day + timedelta(days=through + 1), time(), zone_named(zone)).astimezone(UTC)
        for day, zone, through in days.iter_rows()
    ]
    ends = days.with_columns(threshold_at=pl.Series(instants, dtype=INSTANT))
    after = pl.col("origin_at") + pl.duration(minutes="threshold")
    return cases.join(ends, on=day, how="left", maintain_order="left").with_columns(
        threshold_at=pl.coalesce(after, "threshold_at")
    )
