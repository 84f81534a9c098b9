"""`status`: how fresh, what ran, what failed and why, what waits, how much disk, when next."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from flows.cli import run
from flows.looking.freshness import device_freshness, site_freshness
from flows.looking.status import ledger_status
from flows.nights.schedule import SERVED
from pipeline.store import Home
from schemas.lake import LOAD_FILE
from tests.support.homes import load, make_home
from tests.support.nights import export, put

NOW = datetime(2031, 3, 20, tzinfo=UTC)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return make_home(tmp_path / "ledger")


def test_the_longest_silent_device_and_site_come_first() -> None:
    files = LOAD_FILE.conform(
        pl.DataFrame(
            {
                "file_sha256": ["1", "2", "3", "4"],
                "site": ["east", "east", "west", "west"],
                "device": ["A", "B;C", "D", "E"],
                "status": ["loaded", "partial", "loaded", "withdrawn"],
                "exported_at": [NOW - timedelta(days=days) for days in (1, 2, 3, 4)],
            }
        )
    )
    uses = pl.DataFrame(
        {
            "site": ["east", "east", "west", "east"],
            "device": ["A", "B", "D", "A"],
            "ended_at": [NOW - timedelta(days=9), NOW - timedelta(hours=30), NOW, NOW - timedelta(days=40)],
        },
        schema_overrides={"ended_at": pl.Datetime("us", "UTC")},
    )
    devices = device_freshness(files, uses, NOW)
    told = dict(devices.select("device", "last_minute").rows())
    assert told["D"] == NOW - timedelta(minutes=1)  # the minute, not its end
    assert devices.select("device", "silent_days").rows() == [("C", None), ("A", 9), ("B", 1), ("D", 0)]
    sites = site_freshness(devices, files)
    assert sites.select("site", "devices", "files", "silent_days").rows() == [
        ("east", 3, 2, 1),
        ("west", 1, 1, 0),
    ]


def test_a_last_minute_in_the_future_is_not_silence() -> None:
    files = LOAD_FILE.empty()
    uses = pl.DataFrame(
        {"site": ["east"], "device": ["A"], "ended_at": [NOW + timedelta(days=3)]},
        schema_overrides={"ended_at": pl.Datetime("us", "UTC")},
    )
    assert device_freshness(files, uses, NOW)["silent_days"].to_list() == [None]


def test_a_ledger_at_a_glance(home: Home, tmp_path: Path) -> None:
    put(tmp_path / "in", "a.csv", export())
    load(home, [tmp_path / "in"])
    found = ledger_status(home, NOW)
    assert (found.running, found.published, found.uses, found.drains) == (False, True, 1, 1)
    assert found.sites["silent_days"].to_list() == [9]
    assert found.bytes_raw > 0
    assert found.bytes_lake > 0
    assert found.bytes_database > 0
    assert found.bytes_private > 0
    assert found.schedule is None


def test_a_file_that_may_not_be_read_is_in_status_until_it_can_be(
    home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = put(tmp_path / "in", "closed.csv", export())
    read = Path.read_bytes

    def closed(place: Path) -> bytes:
        if place == path:
            raise PermissionError(13, "Permission denied", str(place))
        return read(place)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "read_bytes", closed)
        assert run(["load", str(path), "--home", str(home.root)]) == 1
    waiting = ledger_status(home, NOW).waiting
    assert waiting.select("name", "fate", "why").rows() == [
        ("closed.csv", "unread", "could not be read (EACCES)")
    ]
    capsys.readouterr()
    assert run(["status", "--home", str(home.root)]) == 0
    assert "closed.csv" in capsys.readouterr().out
    run(["load", str(path), "--home", str(home.root)])
    assert ledger_status(home, NOW).waiting.height == 0


def test_what_ran_and_what_waits_is_said(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "a.csv", export(state="walk"))
    put(tmp_path / "in", "b.csv.part", export())
    call = ["nightly", "--plain", "--settle", "0", "--landing", str(tmp_path / "in")]
    run([*call, "--home", str(home.root)])
    run(["nightly", "--plain", "--landing", str(tmp_path / "gone"), "--home", str(home.root)])
    capsys.readouterr()
    assert run(["status", "--home", str(home.root)]) == 0
    said = capsys.readouterr().out
    assert "nightly  done, some input rejected" in said
    assert "nightly  failed" in said
    assert "gone: there is no such folder" in said
    assert "b.csv.part" in said
    assert "has the name of an unfinished copy" in said
    assert "next run   none is served from here" in said


def test_a_script_gets_all_of_it(home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(tmp_path / "in", "a.csv", export())
    run(["load", str(tmp_path / "in"), "--home", str(home.root)])
    capsys.readouterr()
    assert run(["status", "--json", "--home", str(home.root)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["runs"][0]["kind"] == "load"
    assert told["runs"][0]["exit"] == 0
    assert told["runs"][0]["killed"] is False
    assert told["devices"][0]["device"] == "DV-0042"
    assert told["waiting"] == []
    assert told["schedule"] is None


def test_who_runs_and_when_the_next_night_is(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "a.csv", export())
    load(home, [tmp_path / "in"])
    served = {"process": os.getpid(), "cron": "30 4 * * *", "timezone": "Europe/Zurich"}
    (home.private / SERVED).write_text(json.dumps(served))
    assert ledger_status(home, NOW).schedule == served | {"next": datetime(2031, 3, 20, 3, 30, tzinfo=UTC)}
    (home.private / SERVED).write_text(json.dumps(served | {"process": 2**22 + 1}))  # whoever served is dead
    assert ledger_status(home, NOW).schedule is None
    with home.locked():
        run(["status", "--home", str(home.root)])
    assert "a load is running" in capsys.readouterr().out
