"""How fresh a ledger is: when each site and each device was last heard of, the longest silent first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from typing import Any

from pipeline.query.rows import Rows, nulls_first
from schemas.vocabulary import IN_FORCE

_DAY_SECONDS = 86_400
_MINUTE = timedelta(minutes=1)


def device_freshness(
    files: Iterable[Mapping[str, Any]], uses: Iterable[tuple[str, str, datetime]], now: datetime
) -> Rows:
    """
    When each device was last heard of.

    A device falls silent because it stands in a store room, because nobody exports it any more, or because
    its exports no longer arrive: the ledger cannot tell these apart.

    Parameters
    ----------
    files
        Rows of `load_file`.
    uses
        Site, device and end of all uses.

    Returns
    -------
    `site`, `device`, `files`, `last_export`, `last_minute`, `silent_days` (whole days since the last minute;
    null where that lies in the future, for then a clock is wrong), the longest silent first; a device
    without a single use comes before all.
    """
    digests: dict[tuple[str, str], set[str]] = {}
    exported: dict[tuple[str, str], datetime | None] = {}
    for file in _of_devices(files):
        for name in file["device"].split(";"):
            device = file["site"], name
            digests.setdefault(device, set()).add(file["file_sha256"])
            exported[device] = _latest(exported.get(device), file["exported_at"])
    ends: dict[tuple[str, str], datetime | None] = {}
    for site, name, ended_at in uses:
        ends[site, name] = _latest(ends.get((site, name)), ended_at)
    rows = []
    for device in {**digests, **ends}:
        # A use's end is the end of its last minute; told is the minute, as a log has it.
        last = None if (end := ends.get(device)) is None else end - _MINUTE
        count = len(digests[device]) if device in digests else None
        rows.append((*device, count, exported.get(device), last, _silent_days(last, now)))
    columns = ("site", "device", "files", "last_export", "last_minute", "silent_days")
    numbers = (False, False, True, False, False, True)
    return Rows(columns, numbers, True, sorted(rows, key=lambda row: nulls_first(row[4], row[0], row[1])))


def site_freshness(devices: Rows, files: Iterable[Mapping[str, Any]]) -> Rows:
    """
    When each site was last heard of.

    Parameters
    ----------
    devices
        What `device_freshness` gives.

    Returns
    -------
    `site`, `devices`, `files`, `last_export`, `last_minute`, `silent_days`, the longest silent first.
    """
    digests: dict[str, set[str]] = {}
    for file in _of_devices(files):
        digests.setdefault(file["site"], set()).add(file["file_sha256"])
    by: dict[str, list[dict[str, Any]]] = {}
    for device in devices.dicts():
        by.setdefault(device["site"], []).append(device)
    rows = []
    for site, some in by.items():
        exported = last = None
        for one in some:
            exported = _latest(exported, one["last_export"])
            last = _latest(last, one["last_minute"])
        silent = min((one["silent_days"] for one in some if one["silent_days"] is not None), default=None)
        count = len(digests[site]) if site in digests else None
        rows.append((site, len(some), count, exported, last, silent))
    columns = ("site", "devices", "files", "last_export", "last_minute", "silent_days")
    numbers = (False, True, True, False, False, True)
    return Rows(columns, numbers, True, sorted(rows, key=lambda row: nulls_first(row[4], row[0])))


def _of_devices(files: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Logs whose rows count."""
    return [file for file in files if file["status"] in IN_FORCE and file["device"] is not None]


def _latest(one: datetime | None, other: datetime | None) -> datetime | None:
    return max((moment for moment in (one, other) if moment is not None), default=None)


def _silent_days(last: datetime | None, now: datetime) -> int | None:
    if last is None or (seconds := int((now - last).total_seconds())) < 0:
        return None
    return seconds // _DAY_SECONDS
