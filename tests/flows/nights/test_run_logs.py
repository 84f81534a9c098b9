"""Structured logs and the record of runs: what is listed and nothing else, for their owner alone, never in the way."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from flows.cli import DONE, SOME_REJECTED, run
from flows.nights import logs
from flows.nights.logs import EVENTS, FIELDS, Log, UnknownEvent
from flows.nights.runs import FAILED, WRONG_CALL, Run, last_runs, recorded
from pipeline.store import Home
from schemas.errors import CallError, InputError
from tests.support.homes import make_home
from tests.support.nights import export, put

ROOT = Path(__file__).parents[3]
PLANTED = ("Ada_Example", "Heron Ward", "P-4711")


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return make_home(tmp_path / "ledger")


def lines(home: Home) -> list[dict[str, Any]]:
    path = home.root / "logs" / "drainledger.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_a_run_is_told_from_its_beginning_to_its_end_under_one_name(home: Home, tmp_path: Path) -> None:
    path = put(tmp_path, "a.csv", export(state="walk"))
    assert run(["load", str(path), "--home", str(home.root)]) == SOME_REJECTED
    told = lines(home)
    assert [line["event"] for line in told] == ["run_began", "file_taken", "run_ended"]
    assert len({line["run"] for line in told}) == 1
    assert told[1]["rows_kept"] == 2
    assert (told[2]["exit"], told[2]["kind"], told[2]["new"]) == (1, "load", 1)


def test_no_name_path_or_key_reaches_the_log(home: Home, tmp_path: Path) -> None:
    folder = tmp_path / PLANTED[1]
    put(folder, f"{PLANTED[0]}.csv", export(state="walk"))
    put(folder, f"{PLANTED[0]}_odd.csv", f"nothing of {PLANTED[2]} that we know\n")
    put(folder, f"{PLANTED[0]}.csv.part", export())
    call = ["nightly", "--plain", "--settle", "0", "--landing", str(folder), "--home", str(home.root)]
    assert run(call) == SOME_REJECTED
    run(["nightly", "--plain", "--landing", str(folder / PLANTED[0]), "--home", str(home.root)])
    text = (home.root / "logs" / "drainledger.jsonl").read_text()
    assert "file_left" in text
    assert "fault" in text
    assert [word for word in (*PLANTED, str(tmp_path), "lakeside", "DV-0042") if word in text] == []


def test_each_event_and_field_used_is_on_the_list(home: Home, tmp_path: Path) -> None:
    put(tmp_path / "landing", "a.csv", export())
    call = ["nightly", "--plain", "--settle", "0", "--home", str(home.root)]
    run([*call, "--landing", str(tmp_path / "landing"), "--after", "delete"])
    for line in lines(home):
        assert line["event"] in EVENTS
        assert set(line) - {"event", "level", "at"} <= set(FIELDS)


def test_one_name_in_the_log_means_one_thing(home: Home, tmp_path: Path) -> None:
    """A file that was rejected has its digest; the rules of the whole night and what lay unchanged have own names."""
    put(tmp_path / "landing", "a.csv", export(state="walk"))
    put(tmp_path / "landing", "odd.csv", "nothing that we know\n")
    call = ["nightly", "--plain", "--settle", "0", "--home", str(home.root)]
    for _ in range(2):
        run([*call, "--landing", str(tmp_path / "landing")])
    told = lines(home)
    assert ["digest" in line for line in told if line["event"] == "file_rejected"] == [True]
    (broken,) = [line["rules"] for line in told if line["event"] == "rules_broken"]
    assert broken["file: no_profile"] == 1
    assert [line["unchanged"] for line in told if line["event"] == "landing_looked_at"] == [0, 2]
    assert {line["event"] for line in told if "known" in line} == {"run_ended"}


def test_the_guides_table_says_what_the_list_says() -> None:
    guide = (ROOT / "shared" / "guides" / "operations.md").read_text(encoding="utf-8")
    differing = [name for name, what in {**EVENTS, **FIELDS}.items() if f"| `{name}` | {what} |" not in guide]
    assert differing == []


def test_a_field_that_is_not_on_the_list_is_a_slip_of_the_program(tmp_path: Path) -> None:
    with pytest.raises(UnknownEvent, match="path"):
        Log(tmp_path, "load").say("file_taken", path="/x")
    with pytest.raises(UnknownEvent, match="file_seen"):
        Log(tmp_path, "load").say("file_seen")


def test_logs_are_their_owners_alone_and_rotated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logs, "MOST_BYTES", 1000)
    monkeypatch.setattr(logs, "KEPT_FILES", 2)
    old = os.umask(0)
    try:
        log = Log(tmp_path / "logs", "load")
        for number in range(60):
            log.say("file_taken", digest=f"{number:012}", rows_kept=1)
    finally:
        os.umask(old)
    files = sorted((tmp_path / "logs").iterdir())
    assert [path.name for path in files] == [
        "drainledger.jsonl",
        "drainledger.jsonl.1",
        "drainledger.jsonl.2",
    ]
    assert {stat.S_IMODE(path.stat().st_mode) for path in files} == {0o600}
    assert all(path.stat().st_size <= 1000 for path in files)
    assert '"digest": "000000000059"' in files[0].read_text()


def test_a_log_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "logs").write_text("in the way")
    Log(tmp_path / "logs", "load").say("run_began", kind="load")
    assert (tmp_path / "logs").read_text() == "in the way"


def test_events_go_to_standard_error_where_asked(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "landing", "a.csv", export())
    call = ["nightly", "--plain", "--settle", "0", "--log", "json", "--home", str(home.root)]
    assert run([*call, "--landing", str(tmp_path / "landing")]) == DONE
    events = [json.loads(line)["event"] for line in capsys.readouterr().err.splitlines()]
    assert events[0] == "run_began"
    assert events[-1] == "run_ended"


@pytest.mark.parametrize(
    ("error", "exit_status"),
    [(InputError("no"), FAILED), (OSError(5, "no"), FAILED), (CallError("no"), WRONG_CALL)],
)
def test_how_a_run_failed_is_kept_in_the_private_store(
    home: Home, error: Exception, exit_status: int
) -> None:
    with pytest.raises(type(error)), recorded(home, "load"):
        raise error
    kept = last_runs(home, 5)
    assert [(r.kind, r.exit) for r in kept] == [("load", exit_status)]
    assert "no" in kept[0].said
    assert stat.S_IMODE((home.private / "runs.jsonl").stat().st_mode) == 0o600


def test_a_killed_run_is_told_from_one_that_runs(home: Home) -> None:
    assert Run("load", "2031-06-01T02:30:00Z", 2**22 + 1).killed
    assert not Run("load", "2031-06-01T02:30:00Z", os.getpid()).killed
    with recorded(home, "load"):
        assert last_runs(home, 1)[0].exit is None


_DIES_EARLY = """
import os, signal, sys
import flows.loading.load, flows.nights.nightly
def die(*given, **more): os.kill(os.getpid(), signal.SIGKILL)
flows.loading.load.at_work = flows.nights.nightly.request_for = flows.loading.load.ensure_raw = die
from flows.cli import run
run(sys.argv[1:])
"""


@pytest.mark.parametrize(
    ("kind", "begun"),
    [("load", True), ("load", False), ("nightly", True), ("nightly", False), ("rebuild", True)],
)
def test_a_run_that_is_killed_before_it_did_anything_is_on_record(
    kind: str, begun: bool, tmp_path: Path
) -> None:
    home = make_home(tmp_path / "ledger") if begun else Home(tmp_path / "ledger")
    path = put(tmp_path / "landing", "a.csv", export())
    how = {"load": [str(path)], "nightly": ["--plain", "--landing", str(path.parent)], "rebuild": []}[kind]
    died = subprocess.run(
        [sys.executable, "-c", _DIES_EARLY, kind, *how, "--home", str(home.root)], cwd=ROOT, check=False
    )
    assert died.returncode == -signal.SIGKILL
    (kept,) = last_runs(home, 5)
    assert (kept.kind, kept.exit, kept.killed) == (kind, None, True)
    assert [(line["event"], line["kind"]) for line in lines(home)] == [("run_began", kind)]


def test_a_wrong_call_begins_no_ledger(tmp_path: Path) -> None:
    assert run(["load", str(tmp_path / "gone.csv"), "--home", str(tmp_path / "ledger")]) == WRONG_CALL
    assert not (tmp_path / "ledger").exists()


def test_a_damaged_line_in_the_record_costs_that_run_alone(home: Home) -> None:
    for _ in range(2):
        with recorded(home, "load") as recorder:
            recorder.ended(DONE, "fine")
    path = home.private / "runs.jsonl"
    text = path.read_text().splitlines()
    path.write_text("\n".join([text[0][:30], text[1][:30], *text[2:]]) + "\n")
    assert [r.said for r in last_runs(home, 5)] == ["fine"]


def test_the_record_of_runs_does_not_grow_for_ever(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flows.nights.runs._MOST_BYTES", 2000)
    monkeypatch.setattr("flows.nights.runs._KEPT", 3)
    for number in range(30):
        with recorded(home, "load") as recorder:
            recorder.ended(DONE, f"run {number}")
    assert (home.private / "runs.jsonl").stat().st_size < 4000
    assert last_runs(home, 1)[0].said == "run 29"


def test_every_event_and_field_is_in_the_guide() -> None:
    guide = (ROOT / "shared" / "guides" / "operations.md").read_text(encoding="utf-8")
    missing = [name for name in (*EVENTS, *FIELDS) if f"`{name}`" not in guide]
    assert missing == []
