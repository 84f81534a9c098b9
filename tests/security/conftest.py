"""A ward whose files hold everything a hostile or careless hand could write into them, loaded once."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

from flows.cli import DONE, SOME_REJECTED, run
from pipeline.store import Home
from tests.laws.conftest import v1

PATIENTS = ("Planted Patientname", "PK-4711-planted", "DK-0815-planted")
FILE_NAME = "Planted_Patientname_1931.csv"
ESCAPE, RTL, CSI = "\x1b[31mred\x1b]0;title\x07", "abc\u202egnp", "\x9b31mred"
WARDS = (
    "../../x",
    "'; DROP TABLE drain; --",
    '"; DROP VIEW minute; --',
    "<script>alert(1)</script>",
    "{{ 7 * 7 }} {% raw %}",
    '=HYPERLINK("http://x","y")',
    "+1+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(1,2)",
    ESCAPE,
    RTL,
    CSI,
    "x" * 4096,
    "[bold]markup[/bold]",
    "ward\twith tab",
    "NUL\x00inside",
    "CON",
    "%n%s$(touch pwned)`touch pwned`",
)


@dataclass(frozen=True)
class Hostile:
    """The home and what was loaded into it."""

    home: Home
    landing: Path


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def _write(landing: Path) -> None:
    landing.mkdir()
    rows = []
    for number, ward in enumerate(WARDS):
        device = f"DV-{number}"
        data = v1(device, 0, 130, "2031-03-10T16:00:00+01:00", leak=60)
        name = f"{number}.csv" if number else FILE_NAME
        (landing / name).write_bytes(data)
        procedure = _quoted(WARDS[(number + 3) % len(WARDS)])
        rows.append(
            f"{PATIENTS[2]}-{number},{PATIENTS[1]}-{number},lakeside,{_quoted(ward)},2031-03-10T08:10:00+01:00,"
            f"2031-03-10T15:00:00+01:00,{device}/1,{procedure},2031-03-10T08:10:00+01:00,left,planned"
        )
    header = "drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,procedure,procedure_end_at,side,removal_reason"
    text = (
        "# drain-registry: 1\n# exported_at: 2031-04-01T06:00:00+02:00\n" + "\n".join([header, *rows]) + "\n"
    )
    (landing / "registry.csv").write_bytes(text.encode("utf-8", "surrogatepass"))
    notes = (
        "# drain-annotations: 1\n# exported_at: 2031-04-01T06:00:00+02:00\n"
        "drain_key,site,started_at,ended_at,kind,author_role,note\n"
        f"{PATIENTS[2]}-0,lakeside,2031-03-10T10:00:00+01:00,2031-03-10T10:30:00+01:00,clamp_trial,"
        f"{_quoted(ESCAPE)},{_quoted(PATIENTS[0] + ESCAPE)}\n"
    )
    (landing / "notes.csv").write_text(notes)
    hostile_log = v1("DV-evil", 0, 60, "2031-03-10T16:00:00+01:00").decode()
    hostile_log = hostile_log.replace(",run,", f",{ESCAPE},", 1).replace(",90,1,", f",{RTL},=1+1,", 1)
    hostile_log = hostile_log.replace(",90,1,\n", ",90,1,other:\x1b[2J\n", 1)
    (landing / os.fsdecode(b"\x1b[31m'; DROP --\xff\n.csv")).write_text(hostile_log)
    for device in ("..", "-rf", ".", "con.aux"):
        (landing / f"device {device}.csv").write_bytes(v1(device, 0, 20, "2031-03-10T16:00:00+01:00"))
    for bad in ("../../etc/passwd", "a b", "x" * 4096, "'; DROP TABLE drain; --", ESCAPE):
        (landing / f"refused {hash(bad) & 0xFFFF}.csv").write_bytes(
            v1("DV-9", 0, 5, "2031-03-10T16:00:00+01:00").replace(b"DV-9", bad.encode())
        )
        (landing / f"refused site {hash(bad) & 0xFFFF}.csv").write_bytes(
            v1("DV-8", 0, 5, "2031-03-10T16:00:00+01:00", site=bad)
        )


@pytest.fixture(scope="session")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Hostile:
    folder = tmp_path_factory.mktemp("hostile")
    _write(folder / "landing")
    home = Home(folder / "home")
    before = os.umask(0)
    try:
        assert run(["--home", str(home.root), "load", str(folder / "landing")]) in (DONE, SOME_REJECTED)
    finally:
        os.umask(before)
    return Hostile(home, folder / "landing")
