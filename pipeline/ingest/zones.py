"""Time zones: whether a name is a real IANA zone, which data says so, and local time in UTC."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

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
def _zones() -> frozenset[str]:
    return frozenset(available_timezones() - {"localtime", "Factory"})


def zone_data() -> str:
    """Version of the IANA data in use, such as 2026a."""
    return str(tzdata.IANA_VERSION)


def to_utc(local: datetime, zone: str) -> datetime:
    """
    A local time in UTC; of a repeated hour the first is meant, a skipped hour keeps the offset before it.

    Examples
    --------
    >>> to_utc(datetime(2031, 3, 12, 6, 0), "Europe/Helsinki").isoformat()
    '2031-03-12T04:00:00+00:00'
    """
    return local.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
