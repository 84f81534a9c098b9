"""Small invented exports for a landing folder, and the times that decide when they are taken."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

NIGHT = datetime(2031, 6, 1, 2, 30, tzinfo=UTC)
LONG_AGO = timedelta(days=1)

_HEADER = (
    "record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,air_leak,"
    "canister_volume,tilt,battery,mains,alerts"
)


def export(device: str = "DV-0042", minutes: int = 3, *, day: int = 10, state: str = "run") -> str:
    """A whole drain log of one use, version 1."""
    rows = "".join(
        f"{n + 1},2031-03-{day:02}T14:{n:02},17,{state if n == 0 else 'run'},-20,-19.8,-22.4,-17.6,140,35,1.2,88,1,\n"
        for n in range(minutes)
    )
    return (
        f"# drain-log: 1\n# site: lakeside\n# device: {device}\n# exported_at: 2031-03-{day + 1:02}T06:00:00+01:00\n"
        f"# timezone: Europe/Zurich\n{_HEADER}\n{rows}# end: rows={minutes}\n"
    )


def registry(
    key: str = "D1", patient: str = "P1", *, tube_out: str = "2031-03-10T16:00:00+01:00", day: int = 11
) -> str:
    """A registry of one drain, served by DV-0042."""
    return (
        f"# drain-registry: 1\n# exported_at: 2031-03-{day:02}T06:00:00+01:00\n"
        "drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,device,removal_reason\n"
        f"{key},{patient},lakeside,thoracic,2031-03-10T13:00:00+01:00,{tube_out},DV-0042/17,,planned\n"
    )


def put(
    folder: Path, name: str | bytes, text: str, *, age: timedelta = LONG_AGO, now: datetime = NIGHT
) -> Path:
    """A file of that name, last written so long before the night."""
    path = folder / os.fsdecode(name)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode())
    aged(path, age, now)
    return path


def aged(path: Path, age: timedelta, now: datetime = NIGHT) -> None:
    """Have the file look last written so long before the night."""
    moment = (now - age).timestamp()
    os.utime(path, (moment, moment))
