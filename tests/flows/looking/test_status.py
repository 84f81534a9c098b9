"""`status`: how fresh, what ran, what failed and why, what waits, how much disk, when next."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from flows.cli import run
from flows.looking.freshness import device_freshness, site_freshness
from flows.looking.held import held
from flows.looking.status import ledger_status
from flows.nights.schedule import SERVED
from pipeline.query.rows import Rows
from pipeline.store import Home
from tests.support.homes import load, make_home
from tests.support.nights import export, put

NOW = datetime(2031, 3, 20, tzinfo=UTC)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return make_home(tmp_path / "ledger")


def file(digest: str, site: str, device: str, status: str, exported_days_ago: int) -> dict[str, object]:
    told = {"file_sha256": digest, "site": site, "device": device, "status": status}
    return told | {"exported_at": NOW - timedelta(days=exported_days_ago)}


def columns(rows: Rows, *names: str) -> list[tuple[object, ...]]:
    return [tuple(row[name] for name in names) for row in rows.dicts()]


def test_the_longest_silent_device_and_site_come_first() -> None:
    files = [
        file("1", "east", "A", "loaded", 1),
        file("2", "east", "B;C", "partial", 2),
        file("3", "west", "D", "loaded", 3),
        file("4", "west", "E", "withdrawn", 4),
    ]
    uses = [
        ("east", "A", NOW - timedelta(days=9)),
        ("east", "B", NOW - timedelta(hours=30)),
        ("west", "D", NOW),
        ("east", "A", NOW - timedelta(days=40)),
    ]
    devices = device_freshness(files, uses, NOW)
    told = dict(columns(devices, "device", "last_minute"))
    assert told["D"] == NOW - timedelta(minutes=1)  # the minute, not its end
    assert columns(devices, "device", "silent_days") == [("C", None), ("A", 9), ("B", 1), ("D", 0)]
    sites = site_freshness(devices, files)
    assert columns(sites, "site", "devices", "files", "silent_days") == [("east", 3, 2, 1), ("west", 1, 1, 0)]


def test_a_last_minute_in_the_future_is_not_silence() -> None:
    devices = device_freshness([], [("east", "A", NOW + timedelta(days=3))], NOW)
    assert columns(devices, "files", "last_export", "silent_days") == [(None, None, None)]


def test_what_a_ledger_holds_is_the_same_by_the_engine_and_by_frames(
    home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path / "in", "a.csv", export(state="walk"))
    put(tmp_path / "in", "b.csv", export())
    load(home, [tmp_path / "in"])
    by_the_engine = held(home)
    monkeypatch.setattr("flows.looking.held._by_the_engine", lambda home: 1 / 0)
    by_frames = held(home)
    assert sorted(by_the_engine.files, key=str) == sorted(by_frames.files, key=str)
    assert sorted(by_the_engine.uses) == sorted(by_frames.uses)
    assert (by_the_engine.drains, by_the_engine.names) == (by_frames.drains, by_frames.names)
    assert len(by_frames.files) == 2


def test_a_ledger_at_a_glance(home: Home, tmp_path: Path) -> None:
    put(tmp_path / "in", "a.csv", export())
    load(home, [tmp_path / "in"])
    found = ledger_status(home, NOW)
    assert (found.running, found.published, found.uses, found.drains) == (False, True, 1, 1)
    assert columns(found.sites, "silent_days") == [(9,)]
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
    assert columns(waiting, "name", "fate", "why") == [("closed.csv", "unread", "could not be read (EACCES)")]
    capsys.readouterr()
    assert run(["status", "--home", str(home.root)]) == 0
    assert "closed.csv" in capsys.readouterr().out
    run(["load", str(path), "--home", str(home.root)])
    assert not ledger_status(home, NOW).waiting.rows


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
