"""A night: what comes is loaded, what is not whole waits, and how it went is said in one line and an exit status."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from flows.cli import DONE, FAILED, SOME_REJECTED, WRONG_CALL, run
from flows.loading.intake import take_in
from flows.loading.load import Stages
from flows.loading.request import request_for
from flows.nights.asked import one_night, settings_of
from flows.nights.logs import Log
from flows.nights.night_settings import NightSettings
from flows.nights.nightly import Night, Steps, run_night
from flows.nights.runs import last_runs
from flows.orchestration.passing import patiently
from flows.orchestration.prefect_tasks import take_in_once
from pipeline.store import Home
from pipeline.store.journal import read_readings, write_journal
from pipeline.store.lake import Lake
from pipeline.store.seen import Fate, read_sights
from schemas.errors import CallError, InputError, LakeError, LedgerError, StoreError
from schemas.lake import FILE_NAME, LOAD_FILE, MINUTE
from tests.support.homes import differences, load, make_home, published
from tests.support.nights import LONG_AGO, NIGHT, aged, export, put, registry

DAY = timedelta(days=1)


@pytest.fixture
def landing(tmp_path: Path) -> Path:
    folder = tmp_path / "landing"
    folder.mkdir()
    return folder


@pytest.fixture
def home(tmp_path: Path) -> Home:
    return make_home(tmp_path / "ledger")


def night(home: Home, landing: Path, now: datetime = NIGHT, **settings: Any) -> Night:
    return run_night(home, NightSettings(landing=landing, **settings), now, wait=lambda seconds: None)


def test_three_nights_give_the_ledger_that_one_load_of_everything_gives(
    home: Home, landing: Path, tmp_path: Path
) -> None:
    """Late files, a half-copied one, a corrected registry and a layout nobody knows."""
    put(landing, "a.csv", export())
    put(landing, "registry.csv", registry())
    put(landing, "odd.csv", "Zeit;Druck\n1;2\n")
    half = put(landing, "b.csv", export("DV-0043")[:300], age=timedelta(seconds=20))
    first = night(home, landing)
    assert (first.counts["new"], first.counts["rejected"], first.counts["left"]) == (3, 1, 1)
    assert first.exit == SOME_REJECTED
    assert first.rules == {"file: no_profile": 1}

    put(landing, "b.csv", export("DV-0043"), now=NIGHT + DAY)
    put(landing, "late.csv", export("DV-0044", day=8), now=NIGHT + DAY)
    second = night(home, landing, NIGHT + DAY)
    assert (second.counts["new"], second.counts["known"], second.counts["left"]) == (2, 3, 0)
    assert second.exit == DONE  # what was rejected the night before is no news

    put(
        landing, "registry-2.csv", registry(tube_out="2031-03-10T15:00:00+01:00", day=20), now=NIGHT + 2 * DAY
    )
    third = night(home, landing, NIGHT + 2 * DAY)
    assert third.counts["new"] == 1
    assert third.summary.drains == 1  # just the one the correction touches
    assert night(home, landing, NIGHT + 3 * DAY).counts["published"] == 0

    at_once = make_home(tmp_path / "at-once")
    load(at_once, [landing])
    half.unlink()
    tables = {name: rows for name, rows in published(home).items() if name != "change"}
    others = {name: rows for name, rows in published(at_once).items() if name != "change"}
    assert differences(tables, others) == []


def test_nothing_in_the_landing_folder_is_touched_unless_told_so(home: Home, landing: Path) -> None:
    put(landing, "a.csv", export())
    put(landing, "odd.csv", "nothing we know\n")
    before = {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in landing.iterdir()}
    night(home, landing)
    assert {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in landing.iterdir()} == before


def test_loaded_files_are_moved_when_told_so_and_rejected_ones_stay(
    home: Home, landing: Path, tmp_path: Path
) -> None:
    put(landing, "a.csv", export())
    put(landing, "odd.csv", "nothing we know\n")
    found = night(home, landing, after="move", done=tmp_path / "done")
    assert [path.name for path in landing.iterdir()] == ["odd.csv"]
    assert [path.name for path in (tmp_path / "done").iterdir()] == ["a.csv"]
    assert "1 cleared from the landing folder" in found.line()
    assert night(home, landing, NIGHT + DAY, after="move", done=tmp_path / "done").counts["known"] == 1


def test_files_of_earlier_nights_are_cleared_too_once_it_is_asked(home: Home, landing: Path) -> None:
    put(landing, "a.csv", export())
    night(home, landing)
    night(home, landing, NIGHT + DAY, after="delete")
    assert list(landing.iterdir()) == []
    assert read_sights(home.private) == {}


def test_a_night_whose_load_failed_clears_nothing(home: Home, landing: Path) -> None:
    put(landing, "a.csv", export())

    def broken(*arguments: object) -> None:
        raise ValueError("no such thing")

    with pytest.raises(ValueError, match="no such thing"):
        run_night(
            home,
            NightSettings(landing=landing, after="delete"),
            NIGHT,
            steps=Steps(load=Stages(publish=broken)),
        )
    assert (landing / "a.csv").exists()
    assert last_runs(home, 1)[0].exit == FAILED


def test_files_of_earlier_nights_are_not_read_again(
    home: Home, landing: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(5):
        put(landing, f"{number}.csv", export(f"DV-{number:04}"))
    night(home, landing)
    read = Path.read_bytes
    opened: list[str] = []
    monkeypatch.setattr(Path, "read_bytes", lambda path: opened.append(path.name) or read(path))
    put(landing, "5.csv", export("DV-0005"), now=NIGHT + DAY)
    night(home, landing, NIGHT + DAY)
    assert [name for name in opened if name.endswith(".csv")] == ["5.csv"]


def test_a_second_name_of_known_bytes_is_kept(home: Home, landing: Path) -> None:
    put(landing, "a.csv", export())
    night(home, landing)
    put(landing, "b.csv", export())
    put(landing, "c.csv", export())
    found = night(home, landing, NIGHT + DAY)
    assert (found.counts["new"], found.counts["known"], found.exit) == (0, 3, DONE)
    names = home.private_lake.scan(FILE_NAME).collect()["name"].sort().to_list()
    assert names == ["a.csv", "b.csv", "c.csv"]


def test_a_file_waits_for_its_profile_and_is_loaded_when_it_is_there(home: Home, landing: Path) -> None:
    own = Path(__file__).parents[3] / "shared" / "profiles" / "upland.toml"
    put(landing, "odd.csv", "nothing we know\n")
    assert night(home, landing).exit == SOME_REJECTED
    assert night(home, landing, NIGHT + DAY).exit == DONE
    (home.root / "profiles").mkdir()
    (home.root / "profiles" / "another.toml").write_text(
        own.read_text().replace('name = "upland"', 'name = "another"')
    )
    tried = night(home, landing, NIGHT + 2 * DAY)
    said = "read again: 1 because the profiles have changed and none had fitted (0 rows kept, 1 rejected)"
    assert f"1 file of the ledger {said}" in tried.line()


def test_a_draft_of_one_site_keeps_no_other_site_waiting(home: Home, landing: Path) -> None:
    (home.root / "profiles").mkdir()
    draft = home.root / "profiles" / "moor.toml"
    draft.write_text('name = "moor"\n[device]\nconstant = "?"\n')
    put(landing, "a.csv", export())
    found = night(home, landing)
    assert (found.counts["new"], found.counts["rejected"], found.exit) == (1, 0, SOME_REJECTED)
    assert "1 profile that cannot be used set aside" in found.line()
    assert ["moor" in sentence for sentence in found.facts()["profiles_set_aside"]] == [True]
    draft.unlink()
    assert night(home, landing, NIGHT + DAY).exit == DONE


def test_a_file_that_changes_while_it_is_taken_in_is_left_for_the_next_night(
    home: Home, landing: Path
) -> None:
    path = put(landing, "a.csv", export())

    def meddling(*arguments: Any) -> Any:
        path.write_text(export(minutes=4))
        return take_in(*arguments)

    found = run_night(home, NightSettings(landing=landing), NIGHT, steps=Steps(load=Stages(take_in=meddling)))
    assert found.look.reasons == {"still_changing": 1}
    aged(path, LONG_AGO, NIGHT + DAY)
    again = night(home, landing, NIGHT + DAY)
    assert again.counts["known"] == 1  # its bytes are in the ledger by now, and known


def test_a_file_that_goes_away_before_it_is_read_does_not_end_the_night(home: Home, landing: Path) -> None:
    path = put(landing, "a.csv", export())
    put(landing, "b.csv", export("DV-0043"))

    def vanishing(*arguments: Any) -> Any:
        path.unlink()
        return take_in(*arguments)

    found = run_night(
        home, NightSettings(landing=landing), NIGHT, steps=Steps(load=Stages(take_in=vanishing))
    )
    assert (found.counts["new"], found.exit) == (1, SOME_REJECTED)


@pytest.mark.parametrize("word", ["EACCES", "EIO"])
def test_a_file_that_cannot_be_read_is_on_record_and_in_the_exit_status(
    home: Home, landing: Path, monkeypatch: pytest.MonkeyPatch, word: str
) -> None:
    path = put(landing, "a.csv", export())
    from flows.nights import nightly

    def closed(place: Path) -> str:
        number = getattr(errno, word)
        raise OSError(number, os.strerror(number), str(place))

    with monkeypatch.context() as patch:
        patch.setattr(nightly, "digest_at", closed)
        found = night(home, landing)
    assert (found.counts["unread"], found.exit) == (1, SOME_REJECTED)
    sight = read_sights(home.private)[path]
    assert (sight.fate, sight.why) == (Fate.UNREAD, word)
    assert night(home, landing, NIGHT + DAY).counts["new"] == 1
    assert read_sights(home.private)[path].fate == Fate.HELD


@pytest.mark.parametrize("name", [b"new\nline.csv", b"caf\xe9 \xff.csv", b"[a]{b}*?.csv"])
def test_files_of_any_name_are_loaded(home: Home, landing: Path, name: bytes) -> None:
    put(landing, name, export())
    assert night(home, landing).counts["new"] == 1
    assert night(home, landing, NIGHT + DAY).counts["known"] == 1


def test_the_ledgers_own_home_is_no_landing_folder(home: Home) -> None:
    for folder in (home.root, home.root / "raw"):
        with pytest.raises(CallError, match="lies in the ledger's own home"):
            night(home, folder)


def test_a_landing_folder_below_which_the_home_lies_is_fine(landing: Path) -> None:
    home = make_home(landing / "ledger")
    put(landing, "a.csv", export())
    assert night(home, landing).counts["new"] == 1
    assert night(home, landing, NIGHT + DAY).counts["new"] == 0


def test_another_load_is_said_politely_and_put_on_record(home: Home, landing: Path) -> None:
    with (
        home.locked(),
        pytest.raises(LedgerError, match=r"another load is running here .* wait for it to end"),
    ):
        night(home, landing)
    assert "another load is running" in last_runs(home, 1)[0].said


def test_a_landing_folder_that_is_not_there_fails_the_night(home: Home, landing: Path) -> None:
    with pytest.raises(InputError, match="check that its drive is mounted"):
        night(home, landing / "unmounted")


def once(error: Exception, then: Callable[..., Any]) -> Callable[..., Any]:
    left = [error]

    def call(*arguments: Any, **options: Any) -> Any:
        if left:
            raise left.pop()
        return then(*arguments, **options)

    return call


def test_a_passing_fault_of_a_drive_costs_a_wait_and_not_the_night(home: Home, landing: Path) -> None:
    put(landing, "a.csv", export())
    steps = Steps(load=replace(Stages(), take_in=once(OSError(errno.EIO, "Input/output error"), take_in)))
    found = patiently(
        lambda: run_night(home, NightSettings(landing=landing), NIGHT, steps=steps),
        [0.0],
        Log(None, "nightly"),
    )
    assert found.counts["new"] == 1


def lake_behind(cause: OSError) -> LakeError:
    error = LakeError("lake table minute: cannot be opened")
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.ESTALE, "Stale file handle"),
        OSError("Generic S3 error"),
        StoreError("the store does not answer", passing=True),
        lake_behind(OSError(errno.EIO, "Input/output error")),
    ],
)
def test_what_waiting_may_mend_is_tried_again(error: Exception) -> None:
    left = [error]

    def failing_once() -> str:
        if left:
            raise left.pop()
        return "done"

    assert patiently(failing_once, [0.0], Log(None, "nightly")) == "done"


@pytest.mark.parametrize(
    "error",
    [
        ValueError("bad"),
        InputError("bad"),
        OSError(errno.ENOSPC, "No space left on device"),
        PermissionError(errno.EACCES, "Permission denied"),
        TimeoutError("took too long"),
        LedgerError("another load is running"),
        StoreError("no such bucket"),
    ],
)
def test_nothing_else_is_tried_again(error: Exception) -> None:
    tries: list[int] = []

    def failing() -> None:
        tries.append(1)
        raise error

    with pytest.raises(type(error)):
        patiently(failing, [0.0, 0.0], Log(None, "nightly"))
    assert len(tries) == 1


def test_a_second_try_does_not_double_the_rows_the_first_had_written(
    home: Home, landing: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = put(landing, "a.csv", export())
    request = request_for(home)
    append = Lake.append
    failed: list[int] = []

    def hiccup(lake: Lake, table: Any, frame: Any) -> None:
        append(lake, table, frame)
        if table == MINUTE and not failed:
            failed.append(1)
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(Lake, "append", hiccup)
    with home.locked():
        with pytest.raises(OSError, match="Input/output"):
            take_in_once(home, [path], request, NIGHT)
        outcomes = take_in_once(home, [path], request, NIGHT)
    assert home.lake.scan(MINUTE).collect().height == 3
    assert [(o.known, o.rows_kept) for o in outcomes] == [(False, 3)]
    assert home.lake.scan(LOAD_FILE).collect().height == 1


def test_without_a_server_that_answers_the_night_runs_all_the_same(
    home: Home, landing: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(landing, "a.csv", export())
    monkeypatch.setattr("flows.nights.asked.reachable", lambda: False)
    monkeypatch.setattr("flows.nights.asked.prepare", lambda home: None)
    found = one_night(home, NightSettings(landing=landing), NIGHT)
    assert found.counts["new"] == 1
    assert "orchestrator_missing" in (home.root / "logs" / "drainledger.jsonl").read_text()


def test_the_report_is_written_where_the_settings_say(home: Home, landing: Path, tmp_path: Path) -> None:
    put(landing, "a.csv", export())
    found = night(home, landing, report=tmp_path / "pages")
    assert found.report == tmp_path / "pages"
    assert (tmp_path / "pages" / "index.html").exists()
    assert "report" in found.seconds


def test_one_line_and_nothing_else_is_printed(
    home: Home, landing: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    put(landing, "a.csv", export())
    call = ["nightly", "--plain", "--settle", "0", "--landing", str(landing), "--home", str(home.root)]
    assert run(call) == DONE
    said = capfd.readouterr()
    assert said.err == ""
    assert said.out.startswith(
        "nightly: 1 new file (0 rejected), 0 known, 0 left for the next run; 3 rows kept"
    )
    assert said.out.count("\n") == 1


def test_a_script_is_told_everything(home: Home, landing: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(landing, "a.csv", export(state="walk"))
    put(landing, "b.csv.part", export())
    call = [
        "nightly",
        "--plain",
        "--settle",
        "0",
        "--json",
        "--landing",
        str(landing),
        "--home",
        str(home.root),
    ]
    assert run(call) == SOME_REJECTED
    told = json.loads(capsys.readouterr().out)
    assert told["exit"] == SOME_REJECTED
    assert told["rules"] == {"row: state_unknown": 1}
    assert [(f["name"], f["rows_kept"]) for f in told["files"]] == [("a.csv", 2)]
    assert told["left"] == [{"name": "b.csv.part", "fate": "left", "why": "unfinished_name"}]


def test_settings_can_stand_in_the_home(
    home: Home, landing: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(landing, "a.csv", export())
    (home.root / "nightly.toml").write_text('landing = "../landing"\nprefect = false\nsettle_minutes = 0\n')
    assert run(["nightly", "--home", str(home.root)]) == DONE
    assert "1 new file" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "status", "told"),
    [
        (["nightly", "--plain"], WRONG_CALL, "no landing folder is named"),
        (["nightly", "--plain", "--landing", "nowhere"], FAILED, "there is no such folder"),
        (["nightly", "--plain", "--landing", ".", "--after", "move"], WRONG_CALL, "go together"),
        (["nightly", "--plain", "--landing", ".", "--settle", "-1"], WRONG_CALL, "settle_minutes"),
        (["serve"], WRONG_CALL, "no landing folder is named"),
        (["serve", "--landing", ".", "--cron", "soon"], WRONG_CALL, "cron"),
        (
            ["serve", "--landing", "nowhere"],
            FAILED,
            "there is no such folder; check that its drive is mounted",
        ),
    ],
)
def test_exit_statuses_for_cron(
    arguments: list[str],
    status: int,
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run([*arguments, "--home", str(tmp_path / "ledger")]) == status
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("mistake", ['landig = "drop"', 'settle_minutes = "soon"', "landing = "])
@pytest.mark.parametrize("begun", [True, False])
def test_a_mistake_in_the_settings_is_a_failed_night_on_record(
    mistake: str, begun: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = make_home(tmp_path / "ledger") if begun else Home(tmp_path / "ledger")
    home.root.mkdir(exist_ok=True)
    (home.root / "nightly.toml").write_text(mistake + "\n")
    assert run(["nightly", "--plain", "--home", str(home.root)]) == FAILED
    assert "nightly.toml" in capsys.readouterr().err
    (kept,) = last_runs(home, 5)
    assert (kept.kind, kept.exit, kept.ended_at is None) == ("nightly", FAILED, False)
    assert "nightly.toml" in kept.said
    events = [json.loads(line)["event"] for line in (home.root / "logs" / "drainledger.jsonl").open()]
    assert events == ["run_began", "fault", "run_ended"]


def test_a_mistake_in_the_settings_of_a_scheduled_night_is_on_record_too(
    home: Home,
) -> None:
    (home.root / "nightly.toml").write_text('landig = "drop"\n')
    with pytest.raises(InputError, match="did you mean landing"):
        settings_of(home)
    assert "unknown key landig" in last_runs(home, 1)[0].said


def test_a_night_says_what_it_finished_of_a_load_that_was_killed(home: Home, landing: Path) -> None:
    put(landing, "a.csv", export())
    put(landing, "b.csv", export("DV-0043"))
    assert "killed" not in night(home, landing).line()
    write_journal(home.journal, read_readings(home.readings))  # as a load leaves it that dies beside a write
    again = night(home, landing, NIGHT + DAY)
    assert "; 2 files of a killed load finished (6 rows kept); " in again.line()
    assert (again.counts["new"], again.counts["finished"], again.counts["finished_rows"]) == (0, 2, 6)
    assert "2 files of a killed load finished" in last_runs(home, 1)[0].said
