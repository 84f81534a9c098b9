"""Instants as the wall clock of the ward showed them, and moved by whole days."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.zones import zone_named
from schemas.table import INSTANT, WALL_CLOCK

_DAY = timedelta(days=1)
_STAY = ("procedure_end_at", "tube_in_at", "started_at", "ended_at", "tube_out_at")


def offsets(zone: str, first: datetime, last: datetime) -> list[tuple[datetime, int]]:
    """
    The UTC offsets of a zone between two instants: from when on, and how many seconds.

    By the pinned time-zone data, found by halving each day on which the offset changes.

    Examples
    --------
    >>> spring = offsets("Europe/Zurich", datetime(2031, 3, 29, tzinfo=UTC), datetime(2031, 4, 2, tzinfo=UTC))
    >>> [(at.isoformat(), seconds) for at, seconds in spring][1]
    ('2031-03-30T01:00:00+00:00', 7200)
    """

    def offset(at: datetime) -> int:
        return _offset(at, zone)

    def changes(low: datetime, high: datetime) -> Iterator[tuple[datetime, int]]:
        if offset(low) == offset(high):
            return
        if high - low <= timedelta(seconds=1):
            yield high, offset(high)
            return
        middle = (low + (high - low) / 2).replace(microsecond=0)
        yield from changes(low, middle)
        yield from changes(middle, high)

    day = first.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - _DAY
    found = [(day, offset(day))]
    while day <= last:
        found += changes(day, day + _DAY)
        day += _DAY
    return found


def shifted_wall_clock(frame: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
    """
    Turn instants into local wall-clock times moved by `shift_days` whole days.

    The shift is applied to the local time: half past two in the afternoon stays half past two, and what lay
    on one day of the ward still does, whatever summer time did on the true or on the shifted date. So the
    difference of two shifted times is off by the hour that summer time took or gave between the true ones;
    `hours_since` is exact.

    Parameters
    ----------
    frame
        `timezone`, `shift_days` and the columns, as instants.
    columns
        To turn; each becomes a time without zone, cut to the whole minute.
    """
    if not columns:
        return frame
    table = _offset_table(frame, columns)
    for column in columns:
        looked_up = (
            frame.select("timezone", at=pl.col(column).cast(INSTANT))
            .with_row_index("row")
            .filter(pl.col("at").is_not_null())
            .sort("at", "row")
            .join_asof(table, on="at", by="timezone", strategy="backward", check_sortedness=False)
            .select("row", "offset")
        )
        local = pl.col(column).dt.truncate("1m").dt.replace_time_zone(None) + pl.duration(
            seconds=pl.col("offset")
        )
        frame = (
            frame.with_row_index("row")
            .join(looked_up, on="row", how="left", maintain_order="left")
            .with_columns((local + pl.duration(days=pl.col("shift_days"))).cast(WALL_CLOCK).alias(column))
            .drop("row", "offset")
        )
    return frame


def clock_changed(drains: pl.DataFrame) -> pl.Series:
    """
    Whether the ward's clock was changed for summer time between a drain's first and last instant.

    Such a drain betrays the change by the hour that its wall clock and its hours differ in, and with it the
    night it happened. Null where the drain has no instant.

    Parameters
    ----------
    drains
        `timezone` and the instants of DRAIN.
    """
    columns = [name for name in _STAY if name in drains.columns]
    ends = drains.select("timezone", first=pl.min_horizontal(columns), last=pl.max_horizontal(columns))
    changed = [
        None if first is None else _offset(first, zone) != _offset(last, zone)
        for zone, first, last in ends.iter_rows()
    ]
    return pl.Series("clock_changed", changed, dtype=pl.Boolean)


def _offset(at: datetime, zone: str) -> int:
    """Seconds that a zone is ahead of UTC at an instant."""
    ahead = at.astimezone(zone_named(zone)).utcoffset()
    assert ahead is not None
    return round(ahead.total_seconds())


def _offset_table(frame: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
    ends = frame.group_by("timezone").agg(
        first=pl.min_horizontal(pl.col(columns).min()), last=pl.max_horizontal(pl.col(columns).max())
    )
    rows = [
        (zone, at, seconds)
        for zone, first, last in ends.sort("timezone").iter_rows()
        if first is not None
        for at, seconds in offsets(zone, first, last)
    ]
    return pl.DataFrame(
        rows, schema={"timezone": pl.String, "at": INSTANT, "offset": pl.Int64}, orient="row"
    ).sort("at", "timezone")
