"""A home whose raw files and lake lie in an object store keeps the laws of one on a disk."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from flows.cli import DONE, FAILED, SOME_REJECTED, WRONG_CALL, run
from flows.loading.load import run_rebuild
from flows.loading.request import request_for
from pipeline.marts import dump, select
from pipeline.store import Home
from pipeline.store.damage import damage
from pipeline.store.vault import digest_of
from schemas.lake import COURSE, LOAD_FILE
from tests.ingest.drain_logs import Log, row
from tests.store.conftest import KEYS, ROOT, Server, begin
from tests.support.homes import NOW, differences, load, make_home, published

# A load of the few files has some 150 moments just before or after a write; this one is among the devices.
AMONG_DEVICES = 70


def test_a_bucket_and_a_disk_publish_the_same_to_the_last_digit(
    s3: Server, in_bucket: Home, on_disk: Home
) -> None:
    assert differences(dump(in_bucket.database, in_bucket.lake.place), published(on_disk)) == []


def test_raw_files_and_lake_lie_in_the_bucket_and_all_else_in_the_folder(
    s3: Server, in_bucket: Home, few: list[Path]
) -> None:
    assert not (in_bucket.root / "raw").exists()
    assert not (in_bucket.root / "lake").exists()
    log, registry = few[0].read_bytes(), few[-1].read_bytes()
    with s3.files.open_input_file(f"wards/pre-1/whole/raw/{digest_of(log)[:2]}/{digest_of(log)}") as file:
        assert file.read() == log
    assert not in_bucket.raw.has(digest_of(registry))
    assert in_bucket.private_raw.has(digest_of(registry))
    assert set(in_bucket.raw.digests()) >= {digest_of(p.read_bytes()) for p in few[:-1]}
    assert in_bucket.raw.size_bytes() == sum(len(in_bucket.raw.read(d)) for d in in_bucket.raw.digests())


def test_loading_again_changes_nothing(s3: Server, in_bucket: Home, few: list[Path]) -> None:
    before = in_bucket.database.stat().st_mtime_ns
    summary = load(in_bucket, few)
    assert (summary.devices, summary.drains, summary.published) == (0, 0, False)
    assert in_bucket.database.stat().st_mtime_ns == before


def test_sql_reads_minutes_from_the_bucket(
    s3: Server, in_bucket: Home, on_disk: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    ask = "SELECT state, count(*) AS n, max(tilt_deg) AS most FROM minute GROUP BY state ORDER BY state"
    answers = []
    for home in (in_bucket, on_disk):
        assert run(["--home", str(home.root), "sql", ask, "--format", "csv"]) == DONE
        answers.append(capsys.readouterr().out)
    assert answers[0] == answers[1]
    assert "run," in answers[0]
    other = f"SELECT count(*) FROM minute, read_text('{in_bucket.private / 'secret'}')"
    assert run(["--home", str(in_bucket.root), "sql", other]) == WRONG_CALL
    secret = (in_bucket.private / "secret").read_text()
    assert secret not in "".join(capsys.readouterr())


def test_sql_chooses_minutes_by_their_words_as_on_a_disk(s3: Server, tmp_path: Path) -> None:
    log = tmp_path / "paused.csv"
    log.write_bytes(Log(tuple(row(i, state="pause" if i % 4 == 0 else "run") for i in range(40))).data)
    homes = begin(tmp_path / "bucket", "pre-1/words"), make_home(tmp_path / "disk")
    for home in homes:
        load(home, [log])
    for chosen, some in [
        ("state = 'run'", 30),
        ("state <> 'run'", 10),
        ("state IN ('pause', 'check') AND tilt_deg < 10", 10),
        ("state LIKE 'p%'", 10),
        ("list_contains(flags, 'paused')", 10),
        ("tidaling > 'a' AND tidaling_basis IS NULL AND state >= 'run'", None),
    ]:
        ask = f"SELECT count(*) AS n FROM minute WHERE {chosen}"
        found = [select(home.database, ask, home.lake.root).item() for home in homes]
        assert found[0] == found[1], chosen
        assert some is None or found[0] == some, chosen


def test_a_store_that_does_not_answer_is_no_reason_to_rebuild(
    s3: Server, in_bucket: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = Home(tmp_path / "home")
    shutil.copytree(in_bucket.root, home.root)
    text = home.store_file.read_text()
    home.store_file.write_text(text.replace(s3.url, "http://127.0.0.1:9"))
    assert run(["--home", str(home.root), "sql", "SELECT count(*) FROM drain"]) == DONE
    assert run(["--home", str(home.root), "sql", "SELECT count(*) FROM minute"]) == FAILED
    said = capsys.readouterr().err
    assert "it does not answer; see that it runs" in said
    assert "rebuild" not in said


@pytest.mark.parametrize(
    "ask", ["FROM minute", "SELECT count(*) FROM minute", "SELECT state FROM minute WHERE state = 'run'"]
)
def test_a_plain_client_is_told_in_one_sentence_where_the_minutes_are(
    ask: str, s3: Server, in_bucket: Home
) -> None:
    with duckdb.connect(str(in_bucket.database), read_only=True) as client:
        assert client.execute("SELECT count(*) FROM drain").fetchall() == [(3,)]
        described = client.execute("DESCRIBE minute").fetchall()
        assert ("tilt_deg", "DOUBLE") in [row[:2] for row in described]
        with pytest.raises(
            duckdb.Error, match=r"its rows lie in an object store \(s3://wards/pre-1/whole/lake\)"
        ):
            client.execute(ask).fetchall()


def test_a_client_that_can_read_the_files_gets_the_minutes(on_disk: Home, tmp_path: Path) -> None:
    # httpfs cannot be fetched everywhere; the same statement over files of this machine is what it would run.
    from pipeline.marts.minute_view import minute_statements

    files = on_disk.lake.files(COURSE)
    _, macro, _ = minute_statements([f"file://{file}" for file in files])
    with duckdb.connect() as client:
        client.execute(f"ATTACH '{on_disk.database}' AS ledger (READ_ONLY)")
        client.execute("CREATE TABLE drain_use AS FROM ledger.drain_use")
        client.execute(macro)
        rows = client.execute("FROM minute_in_store() ORDER BY drain_id, minute").fetchall()
        assert rows == client.execute("FROM ledger.minute ORDER BY drain_id, minute").fetchall()
        assert rows


def test_an_extract_from_a_bucket_is_verified_from_the_ledger_and_from_the_raw_files(
    s3: Server, in_bucket: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cohort = tmp_path / "cohort.toml"
    cohort.write_text('cohort = 1\nname = "all"\ntitle = "All"\n\n[give]\ndates = "hours"\nhourly = true\n')
    home, out = ["--home", str(in_bucket.root)], str(tmp_path / "out")
    assert run([*home, "extract", str(cohort), "--out", out]) == DONE, capsys.readouterr().err
    assert run([*home, "verify", out]) == DONE
    assert run([*home, "verify", out, "--from-raw"]) == DONE
    assert "read anew" in capsys.readouterr().out


def test_a_load_killed_while_it_writes_to_the_bucket_is_finished_by_the_next(
    s3: Server, tmp_path: Path, few: list[Path], on_disk: Home
) -> None:
    home = begin(tmp_path / "home", "killed")
    command = [sys.executable, "-m", "tests.laws.killed_load", str(home.root), str(AMONG_DEVICES)]
    killed = subprocess.run([*command, *map(str, few)], cwd=ROOT, check=False)
    assert killed.returncode == -signal.SIGKILL
    load(home, few)
    assert differences(dump(home.database, home.lake.place), published(on_disk)) == []


@pytest.mark.long
def test_rebuild_mends_a_lake_with_parts_gone_and_overwritten_and_keeps_the_broken_one(
    s3: Server, tmp_path: Path, few: list[Path], on_disk: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    home = begin(tmp_path / "home", "broken")
    load(home, few)
    gone = home.lake.files(LOAD_FILE)[0].removeprefix("s3://")
    s3.files.delete_file(gone)
    assert run(["--home", str(home.root), "status"]) == FAILED
    said = capsys.readouterr().err
    assert f"lake: load_file/{Path(gone).name} is gone; restore it from a backup, or run" in said
    with s3.files.open_output_stream(home.lake.files(COURSE)[0].removeprefix("s3://")) as part:
        part.write(b"PAR1 no longer")
    assert run(["--home", str(home.root), "sql", "SELECT count(flags) FROM minute"]) == FAILED
    assert "sql: a part of the lake cannot be read" in capsys.readouterr().err
    assert [d.what.split()[0] for d in damage(home.lake)] == ["has", "is"]
    run_rebuild(home, request_for(home), NOW)
    assert differences(dump(home.database, home.lake.place), published(on_disk)) == []
    assert any("lake.broken-1/load_file" in name for name in home.place.sizes())


def test_no_key_of_the_store_is_written_into_the_home_or_the_bucket(s3: Server, in_bucket: Home) -> None:
    def every_byte() -> Iterator[bytes]:
        for path in in_bucket.root.rglob("*"):
            if path.is_file():
                yield path.read_bytes()
        for name in in_bucket.place.sizes():
            yield in_bucket.place.read(name)

    planted = [value.encode() for value in KEYS.values()]
    assert not any(key in data for data in every_byte() for key in planted)
    assert not any(key.decode() in repr(in_bucket.lake) for key in planted)


def test_two_homes_do_not_share_a_prefix(
    s3: Server, in_bucket: Home, tmp_path: Path, few: list[Path]
) -> None:
    arguments = ["--home", str(tmp_path / "second"), "load", str(few[0]), "--store", in_bucket.place.address]
    assert run(arguments) == FAILED
    assert not (tmp_path / "second").exists()
    stranger = Home(tmp_path / "third")
    stranger.root.mkdir()
    text = in_bucket.store_file.read_text()
    owner = in_bucket.store.owner if in_bucket.store else ""
    stranger.store_file.write_text(text.replace(owner, "0" * 32))
    assert run(["--home", str(stranger.root), "load", str(few[0])]) == FAILED


def test_a_home_keeps_the_store_it_was_begun_with(
    s3: Server, in_bucket: Home, on_disk: Home, few: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    same = ["--home", str(in_bucket.root), "load", str(few[0]), "--store", in_bucket.place.address + "/"]
    assert run(same) == DONE
    other = ["--home", str(in_bucket.root), "load", str(few[0]), "--store", "s3://wards/elsewhere"]
    assert run(other) == WRONG_CALL
    assert "keeps its raw files and lake in s3://wards/pre-1/whole, not in" in capsys.readouterr().err
    local = ["--home", str(on_disk.root), "load", str(few[0]), "--store", "s3://wards/elsewhere"]
    assert run(local) == WRONG_CALL
    assert "keeps its raw files and lake beside it already" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["load", "nightly"])
def test_the_environment_can_name_the_store_of_a_new_home(
    command: str,
    s3: Server,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    url = f"s3://wards/from-environment-{command}"
    monkeypatch.setenv("DRAINLEDGER_STORE", url)
    (landing := tmp_path / "landing").mkdir()
    (landing / "note.txt").write_text("no log at all\n")
    given = [str(landing)] if command == "load" else ["--plain", "--settle", "0", "--landing", str(landing)]
    assert run(["--home", str(tmp_path / "home"), command, *given]) == SOME_REJECTED
    home = Home(tmp_path / "home")
    assert home.store is not None
    assert home.store.url == url
    assert home.store_file.stat().st_mode & 0o777 == 0o600
    assert os.environ["AWS_SECRET_ACCESS_KEY"] not in home.store_file.read_text()


@pytest.mark.long
def test_files_are_withdrawn_and_patients_erased_from_a_bucket_as_from_a_disk(
    s3: Server, tmp_path: Path, few: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    bucket, disk = begin(tmp_path / "bucket", "erased"), make_home(tmp_path / "disk")
    for home in (bucket, disk):
        load(home, few)
        there = ["--home", str(home.root)]
        assert run([*there, "withdraw", "a second.csv", "--why", "test"]) == DONE, capsys.readouterr().err
        erase = [*there, "erase", "--patient", "P2", "--site", "lakeside", "--why", "asked for"]
        assert run(erase) == DONE, capsys.readouterr().err
    assert differences(dump(bucket.database, bucket.lake.place), published(disk)) == []
    erased = few[2].read_bytes()
    assert not bucket.raw.has(digest_of(erased))
    # Nothing of the drain's readings is left below the prefix, in a part of an earlier version neither.
    assert bucket.raw.digests() == disk.raw.digests()
    assert [one.name for one in damage(bucket.lake)] == []
