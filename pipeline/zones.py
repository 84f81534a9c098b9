"""Time zones: whether a name is a real IANA zone, its rules, and local time in UTC.

The rules are those of the `tzdata` package that the project pins, never the machine's: two machines
with the same code date a wall clock alike.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.resources import files
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import tzdata  # type: ignore[import-untyped]


def is_zone(name: str) -> bool:
    """
    Whether `name` is an IANA zone, spelled as IANA spells it.

    Examples
    --------
    >>> is_zone("Europe/Zurich"), is_zone("../etc/passwd")
    (True, False)
    """
    return name in _zones()


@cache
def zone_named(name: str) -> ZoneInfo:
    """
    The rules of an IANA zone.

    Raises
    ------
    zoneinfo.ZoneInfoNotFoundError
        When there is no such zone.
    """
    if not is_zone(name):
        raise ZoneInfoNotFoundError(f"no time zone {name!r}")
    with files("tzdata.zoneinfo").joinpath(*name.split("/")).open("rb") as rules:
        return ZoneInfo.from_file(rules, key=name)


@cache
def _zones() -> frozenset[str]:
    names = files("tzdata").joinpath("zones").read_text(encoding="ascii").split()
    return frozenset(names) - {"localtime", "Factory"}


def zone_data() -> str:
    """Version of the IANA data in use, such as 2026a."""
    return str(tzdata.IANA_VERSION)


def to_utc(local: datetime, zone: str, *, summer_time: bool = True) -> datetime:
    """
    A local time in UTC; of a repeated hour the first is meant, a skipped hour keeps the offset before it.

    Without `summer_time` it is what a clock shows that keeps standard time all year: the least offset in
    force within a year of that time.

    Examples
    --------
    >>> to_utc(datetime(2031, 3, 12, 6, 0), "Europe/Helsinki").isoformat()
    '2031-03-12T04:00:00+00:00'
    >>> to_utc(datetime(2031, 7, 12, 6, 0), "Europe/Helsinki", summer_time=False).isoformat()
    '2031-07-12T04:00:00+00:00'
    """
    if not summer_time:
        rules = zone_named(zone)
        weeks = (local + timedelta(weeks=week) for week in range(-52, 53))
        least = min(offset for week in weeks if (offset := rules.utcoffset(week)) is not None)
        return (local - least).replace(tzinfo=UTC)
    return local.replace(tzinfo=zone_named(zone)).astimezone(UTC)
