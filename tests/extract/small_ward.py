"""A small ward with everything in it that must not leave: keys, serials, names in words and in file names."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

_HEADER = (
    "record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,air_leak,"
    "canister_volume,tilt,battery,mains,alerts"
)

# Each of these is somewhere in the ledger; none may be anywhere in an extract.
SECRETS = (
    "KEY-7001", "KEY-7002", "KEY-7003", "KEY-7004", "KEY-7005", "KEY-7006",
    "PAT-8001", "PAT-8002", "PAT-8003", "PAT-8004",
    "SER-9917Z", "SER-9918Z", "SER-9919Z", "SER-9920Z",
    "Hollis", "Brannigan", "Dr Quill", "HYPERLINK", "XJ7",
    "lakeside", "Ward Seven", "Ward Nine",
)  # fmt: skip
OLD_AGES = (103.75, 97.25, 93.0)

REGISTRY = """# drain-registry: 1
# exported_at: 2031-12-01T06:00:00+01:00
drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,procedure,procedure_end_at,side,tube_french,removal_reason,age_years,sex,bmi,fev1_pct,adhesions,reinserted_at,readmitted_at,pneumothorax_after
KEY-7001,PAT-8001,lakeside,Ward Seven (Dr Quill),2031-03-29T20:00:20+01:00,2031-03-30T08:00:00+02:00,SER-9917Z/4,lobectomy,2031-03-29T19:30:40+01:00,left,28,planned,103.75,f,23.3,80,none,,2031-04-20T10:15:00+02:00,no
KEY-7002,PAT-8001,lakeside,Ward Seven (Dr Quill),2031-10-25T22:00:00+02:00,2031-10-26T06:00:00+01:00,SER-9917Z/5,lobectomy by Brannigan,2031-10-25T21:50:00+02:00,left,24,planned,103.75,f,23.3,80,none,,,no
KEY-7003,PAT-8002,lakeside,Ward Nine,2031-05-05T08:00:00+02:00,2031-05-05T15:00:00+02:00,SER-9918Z/1,=HYPERLINK(1),2031-05-05T07:45:00+02:00,right,28,planned,97.25,m,30.1,,dense,,,
KEY-7004,PAT-8003,lakeside,Ward Nine,2031-06-06T08:00:00+02:00,2031-06-06T14:00:00+02:00,SER-9919Z/2,wedge,2031-06-06T07:45:00+02:00,right,28,died,61.9,m,25,70,,,,
KEY-7005,PAT-8004,lakeside,Ward Nine,2031-07-07T08:00:00+02:00,,,wedge,,,,,,,,,,,,
KEY-7006,PAT-8003,lakeside,Ward Nine,2031-06-06T08:00:00+02:00,2031-06-06T14:00:00+02:00,SER-9919Z/2,wedge,2031-06-06T07:45:00+02:00,right,20,died,93,m,25,70,,,,
"""

CORRECTED = (
    REGISTRY.replace("2031-12-01", "2031-12-08").replace("wedge", "lobectomy").replace(",died,", ",planned,")
)

ANNOTATIONS = """# drain-annotations: 1
# exported_at: 2031-12-01T06:00:00+01:00
drain_key,site,started_at,ended_at,kind,author_role,note
KEY-7003,lakeside,2031-05-05T10:00:00+02:00,2031-05-05T10:20:00+02:00,clamp_trial,nurse,Mrs Hollis agreed
"""

COHORT = """
cohort = 1
name = "small"
title = "All drains of the small ward"

[mapping.procedure]
"lobectomy" = "lobectomy"
"lobectomy by Brannigan" = "lobectomy"
"wedge" = "wedge resection"

[mapping.sex]
"f" = "female"

[give]
hourly = true
tables = ["drain", "operation", "drain_outcome", "drain_day", "period", "readiness", "alert", "canister"]
least_cell = 1
"""


def log(device: str, session: int, first: str, minutes: int, *, skip_hour_at: str | None = None) -> str:
    """A log of wall-clock minutes; `skip_hour_at`: where summer time takes an hour."""
    clock = datetime.fromisoformat(first)
    lines = [
        "# drain-log: 1",
        "# site: lakeside",
        f"# device: {device}",
        f"# exported_at: {(clock + timedelta(days=2)).isoformat()}+01:00",
        "# timezone: Europe/Zurich",
        _HEADER,
    ]
    for minute in range(minutes):
        if skip_hour_at is not None and clock == datetime.fromisoformat(skip_hour_at):
            clock += timedelta(hours=1)
        swing = 3 + minute % 3
        rang = "other:XJ7" if minute % 90 == 5 else "battery_low" if minute % 97 == 5 else ""
        lines.append(
            f"{100 + minute},{clock:%Y-%m-%dT%H:%M},{session},run,-20,-20,{-20 - swing / 2},{-20 + swing / 2},"
            f"{60 if minute < 150 else 0},{minute // 4},{minute % 7},90,1,{rang}"
        )
        clock += timedelta(minutes=1)
    return "\n".join([*lines, f"# end: rows={minutes}"]) + "\n"


def write_ward(folder: Path) -> Path:
    """Write the ward's exports and papers."""
    folder.mkdir(parents=True)
    files = {
        "Hollis_bed_4.csv": log("SER-9917Z", 4, "2031-03-29T20:05", 660, skip_hour_at="2031-03-30T02:00"),
        "Hollis_bed_4 autumn.csv": log("SER-9917Z", 5, "2031-10-25T22:05", 240),
        "bed b.csv": log("SER-9918Z", 1, "2031-05-05T08:05", 400),
        "bed c.csv": log("SER-9919Z", 2, "2031-06-06T08:05", 300),
        "bed d.csv": log("SER-9920Z", 8, "2031-08-08T08:05", 200),
        "registry Brannigan.csv": REGISTRY,
        "nurses notes.csv": ANNOTATIONS,
    }
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def write_more(folder: Path) -> Path:
    """What came later: a corrected registry, and more minutes of a device already there."""
    folder.mkdir(parents=True)
    (folder / "corrected.csv").write_text(CORRECTED, encoding="utf-8")
    (folder / "later.csv").write_text(log("SER-9918Z", 2, "2031-05-06T08:05", 300), encoding="utf-8")
    (folder / "longer.csv").write_text(log("SER-9919Z", 2, "2031-06-06T08:05", 340), encoding="utf-8")
    return folder
