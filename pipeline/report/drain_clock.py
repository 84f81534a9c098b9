"""The site's clock on a page: instants in UTC told as the ward would have said them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property

import polars as pl

from pipeline.zones import zone_named

_STEP = timedelta(minutes=15)  # summer time begins and ends on a quarter of an hour, everywhere


@dataclass(frozen=True)
class SiteClock:
    """
    What local time was ahead of UTC, and since when.

    Parameters
    ----------
    shifts
        (from, minutes ahead of UTC), in time order; before the first its offset holds too.
    zone
        IANA name, empty where nobody said.
    """

    shifts: tuple[tuple[datetime, int], ...]
    zone: str = ""

    @cached_property
    def name(self) -> str:
        """How the page names the clock."""
        if self.zone:
            return self.zone
        return f"local time of the site, {_ahead(self.shifts[0][1])}" if self.shifts else "UTC"

    def ahead(self, instant: datetime) -> int:
        """Minutes ahead of UTC."""
        return next((m for at, m in reversed(self.shifts) if at <= instant), self._first)

    def wall(self, instant: datetime) -> datetime:
        """What the clock on the wall showed, without a zone."""
        return (instant + timedelta(minutes=self.ahead(instant))).replace(tzinfo=None)

    def iso(self, instant: datetime) -> str:
        """
        With its offset, for `drainledger explain`.

        Examples
        --------
        >>> clock = SiteClock(((datetime(2031, 3, 10, tzinfo=UTC), 60),))
        >>> clock.iso(datetime(2031, 3, 10, 12, 5, tzinfo=UTC))
        '2031-03-10T13:05+01:00'
        """
        ahead = self.ahead(instant)
        sign = "-" if ahead < 0 else "+"
        return f"{self.wall(instant):%Y-%m-%dT%H:%M}{sign}{abs(ahead) // 60:02}:{abs(ahead) % 60:02}"

    def said(self, instant: datetime) -> str:
        """For a reader: day of the week, date, time; the offset where the clock changed on the way."""
        told = f"{self.wall(instant):%a %d %b %Y %H:%M}"
        return f"{told} ({_ahead(self.ahead(instant))})" if self.changes else told

    @property
    def changes(self) -> bool:
        """Whether summer time began or ended on the way."""
        return len(self.shifts) > 1

    @property
    def _first(self) -> int:
        return self.shifts[0][1] if self.shifts else 0


def clock_of(zone: str | None, minutes: pl.DataFrame, instants: Sequence[datetime]) -> SiteClock:
    """
    The clock over a course.

    Parameters
    ----------
    zone
        IANA name; null where it is not known: then the minutes' own offsets are taken.
    minutes
        `minute`, `utc_offset_minutes`, in time order.
    instants
        Everything the page will tell; between the first and the last the clock is followed.
    """
    if zone is None:
        ahead = minutes.drop_nulls("utc_offset_minutes")
        moved = ahead.filter(pl.col("utc_offset_minutes").diff().fill_null(1) != 0)
        return SiteClock(tuple(moved.select("minute", "utc_offset_minutes").rows()))
    if not instants:
        return SiteClock((), zone)
    rules = zone_named(zone)
    first, last = min(instants).astimezone(UTC), max(instants).astimezone(UTC)
    at = first.replace(minute=0, second=0, microsecond=0)
    found: list[tuple[datetime, int]] = []
    while at <= last:
        offset = at.astimezone(rules).utcoffset()
        assert offset is not None
        ahead_by = int(offset.total_seconds() // 60)
        if not found or found[-1][1] != ahead_by:
            found.append((at, ahead_by))
        at += _STEP
    return SiteClock(tuple(found), zone)


def _ahead(minutes: int) -> str:
    sign = "−" if minutes < 0 else "+"
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{sign}{hours}" + (f":{rest:02}" if rest else "")
