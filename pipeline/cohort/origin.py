"""Where a drain's durations begin, and on which local day."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from pipeline.zones import zone_named
from schemas.table import DAY


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
