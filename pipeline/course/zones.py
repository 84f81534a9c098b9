"""
The changes of an IANA zone's offset, in whole minutes since 1970, and what a wall time can mean.

Everything is taken from one source (the standard library's `zoneinfo`), so that the turning of wall
clocks into UTC and the site's local days can never rest on two versions of the time-zone data.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfoNotFoundError

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.zones import zone_named
from schemas.errors import InputError

MINUTE_US = 60_000_000
_DAY = 1440
_YEAR = 366 * _DAY
_FIRST_YEAR, _LAST_YEAR = 1990, 2100


@dataclass(frozen=True)
class Zone:
    """
    A zone as a step function of UTC: `offsets[i]` holds from `changes[i - 1]` up to `changes[i]`.

    Instants and wall times are whole minutes since 1970; offsets are minutes ahead of UTC.

    Examples
    --------
    >>> zurich = zone_of("Europe/Zurich")
    >>> autumn = minutes_of(datetime(2031, 10, 26, 2, 30))
    >>> zurich.readings(autumn), zurich.readings(autumn + 60)
    ([120, 60], [60])
    """

    name: str
    changes: tuple[int, ...]
    offsets: tuple[int, ...]

    def at(self, instant: int) -> int:
        """The official offset at an instant."""
        return self.offsets[bisect_right(self.changes, instant)]

    def readings(self, wall: int) -> list[int]:
        """
        The offsets a wall time can have been read under, earliest instant first.

        One as a rule; two in an hour that is repeated; none in an hour that is skipped.
        """
        near = bisect_right(self.changes, wall)
        around = self.offsets[max(0, near - 2) : near + 3]
        return sorted({o for o in around if self.at(wall - o) == o}, reverse=True)

    def before_skip(self, wall: int) -> int:
        """The offset in force before the change that skipped this wall time."""
        near = bisect_right(self.changes, wall)
        for i in range(max(0, near - 2), min(len(self.changes), near + 2)):
            if self.changes[i] + self.offsets[i] <= wall < self.changes[i] + self.offsets[i + 1]:
                return self.offsets[i]
        return self.at(wall - self.at(wall))

    def repeats_until(self, wall: int) -> int:
        """The wall time at which the repeated stretch around `wall` ends for good (exclusive)."""
        earlier, later = self.readings(wall)[0], self.readings(wall)[-1]
        change = self.changes[bisect_right(self.changes, wall - later) - 1]
        return change + earlier

    def repeat_began(self, wall: int) -> int:
        """The first wall time of the repeated stretch around `wall`; outside of one, `wall` itself."""
        options = self.readings(wall)
        if len(options) < 2:
            return wall
        return self.repeats_until(wall) - (options[0] - options[-1])

    def last_change(self, instant: int) -> int | None:
        """Index of the last change at or before an instant."""
        near = bisect_right(self.changes, instant)
        return near - 1 if near else None

    def changes_between(self, after: int, until: int) -> bool:
        """Whether the offset changes later than `after` and not later than `until`."""
        return bisect_right(self.changes, until) > bisect_right(self.changes, after)

    def standard(self, wall: int) -> int:
        """The offset of standard time: the least in force within a year of that wall time."""
        first = bisect_right(self.changes, wall - _YEAR)
        last = bisect_right(self.changes, wall + _YEAR)
        return min(self.offsets[first : last + 1])

    def is_repeated(self, walls: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of many wall times lie in a stretch that the clock shows twice."""
        changes, offsets = np.asarray(self.changes, dtype=np.int64), np.asarray(self.offsets, dtype=np.int64)
        back = offsets[1:] < offsets[:-1]
        starts, ends = (changes + offsets[1:])[back], (changes + offsets[:-1])[back]
        place = np.searchsorted(starts, walls, side="right") - 1
        if not len(starts):
            return np.zeros(len(walls), dtype=bool)
        return np.asarray((place >= 0) & (walls < ends[place]))

    def offsets_at(self, instants: NDArray[np.int64]) -> NDArray[np.int64]:
        """The official offset at each of many instants."""
        changes = np.asarray(self.changes, dtype=np.int64)
        return np.asarray(self.offsets, dtype=np.int64)[np.searchsorted(changes, instants, side="right")]


@cache
def zone_of(name: str) -> Zone:
    """
    The zone of an IANA name, with all changes of its offset from 1990 to 2100.

    Raises
    ------
    InputError
        When no such zone is known.
    """
    try:
        zone = zone_named(name)
    except ZoneInfoNotFoundError as error:
        raise InputError(
            f"time zone {name!r} is not an IANA zone; correct the file's or the profile's timezone."
        ) from error

    def ahead(instant: int) -> timedelta:
        found = datetime.fromtimestamp(60 * instant, zone).utcoffset()
        assert found is not None
        return found

    def whole_minutes(found: timedelta) -> int:
        return int(found.total_seconds() // 60)

    first = minutes_of(datetime(_FIRST_YEAR, 1, 1))
    last = minutes_of(datetime(_LAST_YEAR, 1, 1))
    changes: list[int] = []
    here = ahead(first)
    offsets = [whole_minutes(here)]
    for day in range(first, last, _DAY):
        # Forty thousand days are asked and a few hundred answer: asked as plainly as can be.
        if ahead(day + _DAY) == here:
            continue
        low, high = day, day + _DAY
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if ahead(middle) == here else (low, middle)
        here = ahead(high)
        changes.append(high)
        offsets.append(whole_minutes(here))
    return Zone(name, tuple(changes), tuple(offsets))


def minutes_of(moment: datetime) -> int:
    """A naive date and time as whole minutes since 1970."""
    return (moment - datetime(1970, 1, 1)) // timedelta(minutes=1)


def official_offsets(instants: pl.Series, zones: pl.Series) -> pl.Series:
    """
    The official offset (minutes ahead of UTC) of each instant (minutes since 1970) in its zone.

    Parameters
    ----------
    instants, zones
        Of equal length: whole minutes, and IANA names.
    """
    found = np.zeros(len(instants), dtype=np.int64)
    minutes = instants.to_numpy()
    for name in zones.unique().sort().to_list():
        here = (zones == name).to_numpy()
        found[here] = zone_of(name).offsets_at(minutes[here])
    return pl.Series("utc_offset_minutes", found)


def in_repeated_hours(rows: pl.DataFrame) -> pl.Series:
    """
    Whether the wall clock of each row lies in an hour that its zone shows twice.

    Parameters
    ----------
    rows
        `wall` (minutes since 1970) and `zone` (IANA names).

    Returns
    -------
    Booleans named `repeated`.
    """
    found = np.zeros(len(rows), dtype=np.bool_)
    walls = rows["wall"].to_numpy()
    for name in rows["zone"].unique().sort().to_list():
        here = (rows["zone"] == name).to_numpy()
        found[here] = zone_of(name).is_repeated(walls[here])
    return pl.Series("repeated", found)
