"""Where a drain's durations begin, and on which local day."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import polars as pl

from pipeline.definitions import ProlongedLeakRules
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


def with_threshold(drains: pl.DataFrame, definition: ProlongedLeakRules) -> pl.DataFrame:
    """
    Add `threshold_at`: the instant beyond which a leak is prolonged.

    So many hours after `origin_at`; or the local midnight that ends a postoperative day of the calendar, for
    which `origin_day` and `timezone` are needed.
    """
    if definition.through_day is None:
        assert definition.threshold is not None
        after = pl.duration(minutes=round(definition.threshold * 60))
        return drains.with_columns(threshold_at=pl.col("origin_at") + after)
    days = drains.select("origin_day", "timezone").unique(maintain_order=True).drop_nulls()
    beyond = timedelta(days=definition.through_day + 1)
    instants = [
        datetime.combine(day + beyond, time(), zone_named(zone)).astimezone(UTC)
        for day, zone in days.iter_rows()
    ]
    ends = days.with_columns(threshold_at=pl.Series(instants, dtype=INSTANT))
    return drains.join(ends, on=["origin_day", "timezone"], how="left", maintain_order="left")
