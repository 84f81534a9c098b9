"""A few small logs, registry and annotations for the laws: quick to load, yet with every kind of trouble."""

from __future__ import annotations

from pathlib import Path

import pytest

_HEADER = (
    "record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,air_leak,"
    "canister_volume,tilt,battery,mains,alerts"
)


def v1(
    device: str,
    first: int,
    last: int,
    exported: str,
    *,
    site: str = "lakeside",
    session: int = 1,
    leak: int = 60,
    end: bool = True,
) -> bytes:
    """A version 1 log of the minutes first..last of 10 March 2031, from 08:00."""
    lines = [
        "# drain-log: 1",
        f"# site: {site}",
        f"# device: {device}",
        f"# exported_at: {exported}",
        "# timezone: Europe/Zurich",
        _HEADER,
    ]
    for minute in range(first, last + 1):
        hour, rest = divmod(8 * 60 + minute, 60)
        day, hour = divmod(hour, 24)
        clock = f"2031-03-{10 + day:02}T{hour:02}:{rest:02}"
        swing = 3 + minute % 3
        lines.append(
            f"{1000 + minute},{clock},{session},run,-20,-20,{-20 - swing / 2},{-20 + swing / 2},{leak},"
            f"{minute // 4},{minute % 7},90,1,{'battery_low' if minute % 97 == 5 else ''}"
        )
    if end:
        lines.append(f"# end: rows={last - first + 1}")
    return ("\n".join(lines) + "\n").encode()


REGISTRY = b"""# drain-registry: 1
# exported_at: 2031-04-01T06:00:00+02:00
drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,procedure,procedure_end_at,side,removal_reason
K1,P1,lakeside,ward 4,2031-03-10T08:10:00+01:00,2031-03-10T15:00:00+01:00,DV-1/1,wedge,2031-03-10T08:10:00+01:00,left,planned
K2,P2,lakeside,ward 4,2031-03-10T08:00:00+01:00,2031-03-10T20:00:00+01:00,DV-2/1;DV-3/1,lobectomy,2031-03-10T07:00:00+01:00,right,planned
K3,P3,lakeside,ward 5,2031-03-12T08:00:00+01:00,,DV-9/1,lobectomy,,right,
"""

CORRECTED = REGISTRY.replace(b"2031-04-01", b"2031-04-02").replace(b"ward 5", b"ward 6")

ANNOTATIONS = b"""# drain-annotations: 1
# exported_at: 2031-04-01T06:00:00+02:00
drain_key,site,started_at,ended_at,kind,author_role,note
K1,lakeside,2031-03-10T10:00:00+01:00,2031-03-10T10:30:00+01:00,clamp_trial,nurse,
"""


def write_small(folder: Path) -> list[Path]:
    """Write the small folder: overlapping and conflicting exports, damage, a registry, its correction."""
    folder.mkdir(parents=True)
    damaged = v1("DV-2", 0, 300, "2031-03-10T14:00:00+01:00").replace(b",run,", b",walk,", 2)
    files = {
        "a first.csv": v1("DV-1", 0, 400, "2031-03-10T16:00:00+01:00"),
        "a second.csv": v1("DV-1", 200, 560, "2031-03-10T18:00:00+01:00"),
        "a conflicting.csv": v1("DV-1", 300, 420, "2031-03-10T19:00:00+01:00", leak=75),
        "b.csv": damaged,
        "b cut.csv": v1("DV-2", 250, 420, "2031-03-10T15:30:00+01:00", end=False),
        "c swapped.csv": v1("DV-3", 421, 700, "2031-03-10T21:00:00+01:00", leak=0),
        "d unlinked.csv": v1("DV-4", 0, 90, "2031-03-10T21:00:00+01:00", site="hillside"),
        'it\'s a "memo".txt': b"Dear all, the minutes of the meeting follow.\n",
        "registry.csv": REGISTRY,
        "registry corrected.csv": CORRECTED,
        "annotations.csv": ANNOTATIONS,
    }
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in files]


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The files of the small folder."""
    return write_small(tmp_path_factory.mktemp("small") / "landing")
