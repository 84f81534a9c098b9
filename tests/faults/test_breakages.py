"""Each fault of the world ends in one clear sentence, an intact ledger, and a way back that works."""

from __future__ import annotations

import fcntl
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pytest

import shared
from flows.cli import run
from flows.loading.load import run_load, run_rebuild
from flows.loading.request import request_for
from pipeline.marts import readable
from pipeline.store import Home, durable
from pipeline.store.journal import read_journal
from schemas.errors import DiskError, DrainledgerError, InputError, LedgerError
from tests.faults.mortal import LIMITS, Mortals
from tests.faults.remains import contents, differences, strays
from tests.support.homes import NOW, load, make_home


@pytest.fixture(scope="module")
def mortals() -> Iterator[Mortals]:
    with Mortals() as started:
        yield started


def said_by(capsys: pytest.CaptureFixture[str], *arguments: str, home: Home) -> str:
    """Run a command that must fail: the one sentence it says."""
    capsys.readouterr()
    assert run([*arguments, "--home", str(home.root)]) == 3
    said = [line for line in capsys.readouterr().err.splitlines() if line.startswith("drainledger: ")]
    assert len(said) == 1
    assert "should not" not in said[0], said
    return said[0]


def test_a_disk_that_fills_up_at_any_kind_of_write_leaves_the_ledger_as_it_was(
    tmp_path: Path, given: Path, mortals: Mortals
) -> None:
    home = make_home(tmp_path / "home")
    for limit in LIMITS:
        end = mortals.run(f"typed load, no file beyond {limit}", home.root, [given])
        assert end.status == 3, end.said
        (said,) = [line for line in end.said.splitlines() if line.startswith("drainledger: ")]
        assert "may grow no further" in said or "could not be built and the old one stays" in said
        assert strays(home) in ([], ["private/pending.json"])
        assert not home.database.exists()
    assert mortals.run("typed load", home.root, [given]).status == 1  # the memo is no log
    whole = make_home(tmp_path / "whole")
    load(whole, [given])
    assert strays(home) == []
    left = {name for name in contents(home) if name != "lake: made"}
    assert [d for d in differences(contents(home), contents(whole)) if d.split(":")[0] in left] == []


def test_a_full_disk_is_told_from_a_broken_lake_so_that_a_rebuild_puts_nothing_aside(
    home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(home)

    def full(*_: object, **__: object) -> None:
        raise OSError("Generic LocalFileSystem error: No space left on device (os error 28)")

    with monkeypatch.context() as patch:
        patch.setattr("deltalake.write_deltalake", full)
        with pytest.raises(DiskError, match="the disk is full; nothing published has changed, so make room"):
            run_rebuild(home, request_for(home), NOW)
    assert list(home.root.glob("lake.broken*")) == []
    load(home, [])
    assert differences(contents(home), before) == []


@pytest.mark.parametrize("name", ["write_whole", "flush_folder"])
def test_a_disk_that_fails_while_a_file_is_made_durable_is_one_sentence(
    name: str, home: Home, given: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(home)

    def failing(*_: object, **__: object) -> None:
        raise OSError(5, os.strerror(5), str(home.root / "private" / "pending.json"))

    with monkeypatch.context() as patch:
        patch.setattr(f"pipeline.store.journal.{name}", failing)
        with pytest.raises(DiskError, match="the disk fails"):
            load(home, [given / "c.csv"])
    load(home, [])
    load(home, [given / "c.csv"])
    load(home, [])
    assert len(contents(home)["raw"]) == len(before["raw"]) + 1
    assert strays(home) == []


def test_a_home_that_may_only_be_read_is_one_sentence(
    home: Home, given: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(home)
    # Root may write anywhere, so the system's own answer is given in its place.
    monkeypatch.setattr(os, "access", lambda path, mode, **_: not mode & os.W_OK)
    said = said_by(capsys, "load", str(given / "c.csv"), home=home)
    assert "cannot be written (Permission denied); choose another with --home" in said
    shut = os.statvfs_result((4096, 4096, 1, 0, 0, 1, 0, 0, os.ST_RDONLY, 255))
    monkeypatch.setattr(os, "statvfs", lambda path: shut)
    assert "cannot be written (Read-only file system)" in said_by(capsys, "load", str(given), home=home)
    monkeypatch.undo()
    assert differences(contents(home), before) == []


def test_a_disk_mounted_for_reading_alone_is_one_sentence(
    home: Home, given: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def shut(*_: object, **__: object) -> None:
        raise OSError(30, os.strerror(30), str(home.root / "raw"))

    with monkeypatch.context() as patch:
        patch.setattr("pipeline.store.place.write_all_whole", shut)
        with pytest.raises(
            DiskError, match=r"mounted read-only .* mount it for writing and run the command again"
        ):
            load(home, [given / "c.csv"])
    assert load(home, [given / "c.csv"]).published


def test_a_file_that_vanishes_while_it_is_read_is_reported_and_the_rest_is_loaded(
    home: Home, given: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    landing = tmp_path / "landing"
    landing.mkdir()
    for name in ("c.csv", "d unlinked.csv"):
        shutil.copy(given / name, landing)
    read = Path.read_bytes

    def vanishing(path: Path) -> bytes:
        if path.name == "c.csv":
            path.unlink(missing_ok=True)
        return read(path)

    with monkeypatch.context() as patch:
        patch.setattr(Path, "read_bytes", vanishing)
        summary = load(home, [landing])
    by_name = {outcome.name: outcome for outcome in summary.outcomes}
    assert (
        by_name["c.csv"].reason
        == "cannot be read from disk (No such file or directory); check it and load again"
    )
    assert by_name["d unlinked.csv"].status == "loaded"
    assert not summary.clean


def _cut(path: Path) -> None:
    path.chmod(0o600)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _newest_log(table: Path) -> Path:
    return max((table / "_delta_log").glob("*.json"))


@pytest.mark.parametrize(
    ("what", "table", "breaks"),
    [
        ("a log cut off", "minute", lambda table: _cut(_newest_log(table))),
        pytest.param(
            "a log emptied",
            "course",
            lambda table: _newest_log(table).write_bytes(b""),
            marks=pytest.mark.long,
        ),
        (
            "a log's beginning gone",
            "load_file",
            lambda table: min((table / "_delta_log").glob("*.json")).unlink(),
        ),
        pytest.param(
            "a part cut off",
            "course",
            lambda table: _cut(sorted(table.rglob("*.parquet"))[0]),
            marks=pytest.mark.long,
        ),
        ("a part gone", "minute", lambda table: sorted(table.rglob("*.parquet"))[0].unlink()),
    ],
)
def test_a_damaged_lake_is_one_sentence_and_a_rebuild_mends_it(
    what: str,
    table: str,
    breaks: Callable[[Path], None],
    home: Home,
    given: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = contents(home)
    breaks(home.root / "lake" / table)
    assert run(["doctor", "--all", "--home", str(home.root)]) == 3, what
    assert "rebuild" in capsys.readouterr().out
    run(["load", str(given / "b.csv"), "--home", str(home.root)])  # may or may not meet it
    assert "should not" not in capsys.readouterr().err
    run_rebuild(home, request_for(home), NOW)
    assert differences(contents(home), before) == [], what


def test_a_registry_that_cannot_be_read_leaves_the_one_before_in_force(home: Home, tmp_path: Path) -> None:
    before = contents(home)
    for number, data in enumerate(
        (b"# drain-registry: 1\n\xff\xfe\0", b"# drain-registry: 7\n", b"# drain-registry: 1\n")
    ):
        path = tmp_path / f"registry {number}.csv"
        path.write_bytes(data)
        (outcome,) = load(home, [path]).outcomes
        assert outcome.status == "rejected"
        assert outcome.reason
    after = contents(home)
    assert after["private: registry_drain"] == before["private: registry_drain"]
    assert after["database: drain"] == before["database: drain"]


@pytest.mark.parametrize("year", [pytest.param(1970, marks=pytest.mark.long), 2200])
def test_a_clock_that_is_wrong_changes_bookkeeping_alone(year: int, tmp_path: Path, given: Path) -> None:
    right, wrong = make_home(tmp_path / "right"), make_home(tmp_path / "wrong")
    load(right, [given])
    run_load(wrong, [given], request_for(wrong), datetime(year, 1, 1, tzinfo=UTC))
    differ = differences(contents(wrong), contents(right))
    assert [one for one in differ if not one.startswith("lake: made")] == []  # which names the home's place


def test_the_second_of_two_loads_at_once_says_who_is_first(home: Home, given: Path) -> None:
    with (
        home.locked(),
        pytest.raises(
            LedgerError, match=rf"another load is running here \(process {os.getpid()}\); wait for it"
        ),
    ):
        load(Home(home.root), [given / "c.csv"])
    assert load(home, [given / "c.csv"]).published


def test_a_reader_that_holds_the_database_for_long_keeps_its_answers_and_stops_nobody(
    home: Home, given: Path
) -> None:
    ask = "SELECT (SELECT count(*) FROM drain), (SELECT count(*) FROM minute)"
    with duckdb.connect(str(home.database), read_only=True) as held:
        before = held.execute(ask).fetchall()
        for name in ("c.csv", "a second.csv", "registry corrected.csv"):
            assert load(home, [given / name]).published
        assert run(["maintain", "--home", str(home.root)]) == 0  # keeps what went out of use this week
        assert held.execute(ask).fetchall() == before


def test_the_lock_of_a_dead_process_holds_nobody(home: Home, given: Path) -> None:
    code = (
        "import sys, time; from pathlib import Path; from pipeline.store import Home\n"
        "with Home(Path(sys.argv[1])).locked():\n"
        "    Path(sys.argv[1], 'raw', f'x.{__import__(\"os\").getpid()}.part').touch()\n"
        "    print('held', flush=True); time.sleep(600)\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(home.root)],
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    holder.send_signal(signal.SIGKILL)
    holder.wait()
    assert (home.root / ".lock").read_text() == str(holder.pid)
    assert load(home, [given / "c.csv"]).published
    assert (home.root / ".lock").read_text() == ""
    assert strays(home) == []


def test_a_stale_write_ahead_log_beside_the_database_is_swept(home: Home, given: Path) -> None:
    home.database.with_name(home.database.name + ".wal").write_bytes(b"of a build that died" * 100)
    assert load(home, [given / "c.csv"]).published
    assert strays(home) == []
    with duckdb.connect(str(home.database), read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM drain").fetchone() is not None


@pytest.mark.parametrize("what", ["gone", pytest.param("emptied", marks=pytest.mark.long), "overwritten"])
def test_a_lost_or_spoilt_database_is_published_again(
    what: str, home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(home)
    home.database.chmod(0o600)
    if what == "gone":
        home.database.unlink()
    else:
        home.database.write_bytes(b"" if what == "emptied" else os.urandom(20_000))
        said = said_by(capsys, "sql", "SELECT 1", home=home)
        assert "cannot be opened" in said
    run_rebuild(home, request_for(home), NOW)
    assert differences(contents(home), before) == []


def _overwrite(database: Path, at: int) -> None:
    database.chmod(0o600)
    with database.open("r+b") as file:
        file.seek(at)
        file.write(os.urandom(4096))


@pytest.mark.parametrize("where", ["at the head", "in a block of rows"])
def test_the_next_load_publishes_a_spoilt_database_again(
    where: str, home: Home, given: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(home)
    place = ["--home", str(home.root)]
    # Blocks of 256 KiB follow three headers of 4 KiB.
    size = home.database.stat().st_size
    for at in [0] if where == "at the head" else range(3 * 4096 + 512, size - 4096, 2**18):
        _overwrite(home.database, at)
        if readable(home.database):
            continue  # a block nobody reads: free, or of a table without rows
        run(["status", *place])
        assert "published  damaged, and made anew by the next load" in capsys.readouterr().out
        assert run(["load", str(given / "b.csv"), *place]) == 0
        assert differences(contents(home), before) == []
        break
    else:
        raise AssertionError("no block of the file holds rows")
    run(["status", *place])
    assert "published  yes" in capsys.readouterr().out


def test_a_spoilt_database_says_what_heals_it(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    _overwrite(home.database, 0)
    said = said_by(capsys, "sql", "SELECT 1", home=home)
    assert "the next load or night publishes it again, as does `drainledger rebuild`" in said


@pytest.mark.parametrize("published", [True, False])
def test_a_lost_key_is_never_made_anew_over_what_is_there(
    published: bool, home: Home, given: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    secret = home.private / "secret"
    kept = secret.read_bytes()
    secret.unlink()
    if not published:
        home.database.unlink()
    said = said_by(capsys, "load", str(given / "c.csv"), home=home)
    assert "the key of the pseudonyms is gone" in said
    assert "restore it from a backup" in said
    assert not secret.exists()
    secret.write_bytes(kept)
    assert load(home, [given / "c.csv"]).published


def test_another_homes_key_is_refused_before_it_renames_every_drain(
    home: Home, given: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = contents(home)
    secret = home.private / "secret"
    kept = secret.read_bytes()
    secret.write_text("ab" * 32)
    assert "holds another key than the one" in said_by(capsys, "load", str(given / "c.csv"), home=home)
    secret.write_bytes(kept)
    assert differences(contents(home), before) == []


def test_broken_definitions_are_one_sentence_and_touch_nothing(
    home: Home, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.definitions import load_definitions

    text = (shared.SHARED / "definitions.toml").read_text()
    for broken, said in (
        (text.replace("[tilted]", "[tilted"), "not valid TOML"),
        (text.replace("[uses]\nhole", "[uses]\nwhole"), "mend that figure"),
        (text[: text.index("[leak]")], "mend that figure"),
    ):
        path = tmp_path / "definitions.toml"
        path.write_text(broken)
        with pytest.raises(InputError, match=said):
            load_definitions(path)


def test_a_broken_profile_of_the_house_is_named_and_everything_else_is_loaded(
    home: Home, given: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    profiles = home.root / "profiles"
    profiles.mkdir()
    (profiles / "annex.toml").write_text('name = "annex"\ndelimeter = ";"\n')
    assert run(["load", str(given / "c.csv"), "--home", str(home.root)]) == 1
    assert "Set aside, files of its layout wait: profile 'annex'" in capsys.readouterr().out
    said = said_by(capsys, "load", str(given / "c.csv"), "--profile", "annex", home=home)
    assert "annex" in said
    assert run(["doctor", "--home", str(home.root)]) == 3
    assert "annex" in capsys.readouterr().out
    whole = contents(home)
    (profiles / "annex.toml").unlink()
    assert load(home, [given / "c.csv"]).clean
    assert differences(contents(home), whole) == []


@pytest.mark.parametrize("spoilt", [b"", b"{", b'{"digest": 7}', b"\xff\xfe"])
def test_a_spoilt_journal_or_record_of_reading_says_what_to_do(
    spoilt: bytes, home: Home, given: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home.journal.write_bytes(spoilt)
    said = said_by(capsys, "load", str(given / "c.csv"), home=home)
    assert "remove it and run `drainledger rebuild`" in said
    home.journal.unlink()
    one = sorted(home.readings.glob("*/*.json"))[0]
    kept = one.read_bytes()
    one.write_bytes(spoilt)
    said = said_by(capsys, "rebuild", home=home)
    assert "restore it from a backup" in said
    one.write_bytes(kept)
    run_rebuild(home, request_for(home), NOW)
    assert read_journal(home.journal) == []


def test_a_file_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.json"
    durable.write_whole(path, b"before")

    def full(_: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        durable.write_whole(path, b"after")
    assert path.read_bytes() == b"before"
    assert list(tmp_path.iterdir()) == [path]


def test_the_lock_is_the_kernels_so_a_copy_of_its_file_locks_nobody(home: Home, tmp_path: Path) -> None:
    with home.locked():
        shutil.copytree(home.root, tmp_path / "copy")
    copy = Home(tmp_path / "copy")
    assert not copy.load_in_progress()
    handle = os.open(home.root / ".lock", os.O_RDONLY)
    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    os.close(handle)
    with pytest.raises(DrainledgerError, match="there is no ledger"):
        run_rebuild(Home(tmp_path / "nowhere"), request_for(home), NOW)
