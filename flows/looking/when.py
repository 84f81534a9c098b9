"""A time as a person writes it: with an offset, or local to the site."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from pipeline.zones import zone_named
from schemas.errors import CallError


@dataclass(frozen=True)
class When:
    """
    The minute a person meant.

    Parameters
    ----------
    minute
        Its start, UTC.
    zone
        The site's time zone.
    remark
        What had to be decided, empty where nothing was.
    """

    minute: datetime
    zone: str
    remark: str = ""

    @property
    def told(self) -> str:
        """The minute in the site's local time with its offset."""
        return self.local(self.minute)

    def local(self, instant: datetime) -> str:
        """An instant in the site's local time, with its offset."""
        return instant.astimezone(zone_named(self.zone)).isoformat(timespec="minutes")


def when_of(text: str, zone: str) -> When:
    """
    The minute that a text in ISO 8601 names; without an offset it is local to the site.

    Of an hour that autumn shows twice the earlier is taken, and that is said; a time that spring skips
    never was.

    Parameters
    ----------
    zone
        IANA name of the site's time zone.

    Raises
    ------
    CallError
        When the text is no date and time, or names a local time that never was.

    Examples
    --------
    >>> when_of("2031-03-10T14:00", "Europe/Zurich").minute.isoformat()
    '2031-03-10T13:00:00+00:00'
    >>> when_of("2031-10-26T02:30", "Europe/Zurich").remark
    'this time came twice that day: the earlier is taken; write 2031-10-26T02:30+01:00 for the later'
    """
    try:
        given = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise CallError(
            f"explain: {text!r} is no date and time; write 2031-03-10 14:00 (local to the site), or in UTC "
            "2031-03-10T13:00Z."
        ) from error
    if len(text.strip()) < len("2031-03-10T14:00"):
        raise CallError(f"explain: {text!r} has no time of day; write it as 2031-03-10T14:00.")
    given = given.replace(second=0, microsecond=0)
    if given.tzinfo is not None:
        return When(given.astimezone(UTC), zone)
    here = zone_named(zone)
    earlier, later = (given.replace(tzinfo=here, fold=fold) for fold in (0, 1))
    if not _exists(given, here):
        raise CallError(
            f"explain: {text!r} never was in {zone}: summer time skipped it; write the time with an offset."
        )
    remark = f"read as local time; for the same time in UTC write {given.isoformat(timespec='minutes')}Z"
    if earlier.utcoffset() != later.utcoffset():
        other = later.isoformat(timespec="minutes")
        remark = f"this time came twice that day: the earlier is taken; write {other} for the later"
    return When(earlier.astimezone(UTC), zone, remark)


def _exists(wall: datetime, zone: ZoneInfo) -> bool:
    return wall.replace(tzinfo=zone).astimezone(UTC).astimezone(zone).replace(tzinfo=None) == wall
