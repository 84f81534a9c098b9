"""Who made a log, where and when: site, device, time zone and date of export, as profile and file say."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime

from pipeline.ingest.page import PREAMBLE_WIDTH, Page
from pipeline.ingest.pattern import every, first, holds
from pipeline.ingest.profile import Profile
from pipeline.ingest.rules import FileRejected, Rule
from pipeline.ingest.sources import DEVICE_PATTERN, RFC_3339, SERIAL_IN_WORDS, SITE_PATTERN
from pipeline.zones import is_zone, to_utc

_RFC_3339_TEXT = re.compile(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}:\d{2}(\.\d{1,9})?([Zz]|[+-]\d{2}:\d{2})")


@dataclass(frozen=True)
class Identity:
    """
    What a log says of itself as a whole.

    Parameters
    ----------
    device
        Null where a column names it row by row.
    exported_at
        In UTC; null where a column says it, or nothing does.
    """

    site: str
    device: str | None
    timezone: str
    exported_at: datetime | None


def identify(page: Page, profile: Profile, name: str, site: str | None, earliest_year: int) -> Identity:
    """
    Find site, device, zone and date of export where the profile says they are.

    The site the file itself names goes before the one the caller gives, and that before the
    profile's constant.

    Raises
    ------
    FileRejected
        When one is missing, said twice differently, or not what it should be.
    """
    zone = _timezone(page, profile)
    return Identity(
        site=_site(page, profile, site),
        device=_device(page, profile, name),
        timezone=zone,
        exported_at=_exported_at(page, profile, name, zone, earliest_year),
    )


def export_time(text: str, profile: Profile, zone: str, earliest_year: int) -> datetime | None:
    """The instant an export-date text means, in UTC; null where it means none."""
    source = profile.exported_at
    if source is None:
        return None
    text = text.strip()
    try:
        if source.format == RFC_3339:
            if not _RFC_3339_TEXT.fullmatch(text):
                return None
            found = datetime.fromisoformat(text.upper())
        else:
            found = datetime.strptime(text, source.format)
        if found.tzinfo:
            instant = found.astimezone(UTC)
        elif source.timezone:
            instant = to_utc(found, source.timezone)
        else:  # the drain's own clock wrote it
            instant = profile.clock.in_utc(found, zone)
    except (ValueError, OverflowError):
        return None
    return instant if instant.year >= earliest_year else None


def second_preamble(text: str, profile: Profile) -> bool:
    """Whether a comment among the rows says again what only a preamble says: two logs in one file."""
    sources = [profile.site, profile.device, profile.clock.timezone, profile.exported_at]
    patterns = [source.line for source in sources if source is not None and source.line is not None]
    return len(text) <= PREAMBLE_WIDTH and any(holds(pattern, text) for pattern in patterns)


def preamble_value(page: Page, pattern: str, group: str, ours: str) -> str | None:
    """
    What a pattern finds in the preamble; null where it finds nothing.

    Raises
    ------
    FileRejected
        When it finds two different values.
    """
    found = set(every(pattern, page.preamble, group))
    if len(found) > 1:
        raise FileRejected(
            Rule.PREAMBLE_CONTRADICTS,
            f"Its preamble says {ours} twice and differently; keep one.",
            column=ours,
        )
    return found.pop() if found else None


def _site(page: Page, profile: Profile, given: str | None) -> str:
    source = profile.site
    said = preamble_value(page, source.line, "site", "site") if source is not None and source.line else None
    site = said or given or (source.constant if source is not None else None)
    if site is None:
        raise FileRejected(
            Rule.SITE_MISSING,
            "Neither the file nor its profile names a site; name one with --site.",
            column="site",
        )
    if not re.fullmatch(SITE_PATTERN, site):
        raise FileRejected(
            Rule.SITE_UNREADABLE,
            "The site in its preamble is not 1 to 40 of a-z, 0-9, _ and -; mend that line.",
            column="site",
            value=site,
        )
    return site


def _device(page: Page, profile: Profile, name: str) -> str | None:
    source = profile.device
    if source.column is not None:
        return None
    if source.constant is not None:
        return source.constant
    if source.line is not None:
        device = preamble_value(page, source.line, "device", "device")
        where, todo = (
            "its preamble",
            "add the line, or have the profile's [device] line fit what stands there",
        )
    else:
        device = first(source.file_name or "", name.removesuffix(".gz"), "device")
        where, todo = "its file name", "name it as the profile expects"
    if not device:
        raise FileRejected(
            Rule.PREAMBLE_MISSING, f"No device serial stands in {where}; {todo}.", column="device"
        )
    if not re.fullmatch(DEVICE_PATTERN, device):
        raise FileRejected(
            Rule.DEVICE_UNREADABLE,
            f"The device serial in {where} is not {SERIAL_IN_WORDS}; have the pattern in the profile's "
            "[device] pick a part of it that is, and that no other device has too.",
            column="device",
            value=device,
        )
    return device


def _timezone(page: Page, profile: Profile) -> str:
    source = profile.clock.timezone
    if source.constant is not None:
        return source.constant
    zone = preamble_value(page, source.line or "", "timezone", "timezone")
    if not zone:
        raise FileRejected(
            Rule.PREAMBLE_MISSING, "Its preamble does not say the timezone; add the line.", column="timezone"
        )
    if not is_zone(zone):
        raise FileRejected(
            Rule.TIMEZONE_UNKNOWN,
            "The timezone in its preamble is not an IANA name like Europe/Zurich; mend that line.",
            column="timezone",
            value=zone,
        )
    return zone


def _exported_at(page: Page, profile: Profile, name: str, zone: str, earliest_year: int) -> datetime | None:
    source = profile.exported_at
    if source is None or source.column is not None:
        return None
    if source.line is not None:
        text = preamble_value(page, source.line, "exported_at", "exported_at")
        where = "its preamble"
    else:
        text = first(source.file_name or "", name.removesuffix(".gz"), "exported_at")
        where = "its file name"
    if not text:
        raise FileRejected(
            Rule.PREAMBLE_MISSING, f"No date of export stands in {where}; add it.", column="exported_at"
        )
    instant = export_time(text, profile, zone, earliest_year)
    if instant is None:
        wanted = "RFC 3339 with an offset" if source.format == RFC_3339 else f"of the form {source.format}"
        raise FileRejected(
            Rule.EXPORTED_AT_UNREADABLE,
            f"The date of export in {where} is not a date {wanted} since {earliest_year}; mend it.",
            column="exported_at",
            value=text,
        )
    return instant
