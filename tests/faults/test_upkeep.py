"""Maintenance changes no row, keeps what is named, frees the rest, and repeats to nothing."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from flows.cli import run
from flows.keeping.upkeep import maintain
from flows.research.extract import note_of, run_extract
from flows.research.verify import run_verify
from pipeline.definitions import load_definitions
from pipeline.store import Home
from pipeline.store.sweeping import leftovers
from schemas.errors import LedgerError
from schemas.lake import COURSE, LOAD_FILE, MINUTE
from tests.faults.kills import FILES
from tests.faults.remains import contents, differences, orphans
from tests.laws.conftest import v1
from tests.support.homes import load, make_home

USUAL = load_definitions().upkeep
AT_ONCE = USUAL.model_copy(update={"reader_hours": 0, "log_entries": 0})
COHORT = Path(__file__).parents[2] / "shared" / "cohorts" / "samples.toml"


@pytest.fixture(scope="module")
def six_nights(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Home]:
    """A home after six small nights, and a copy of it beside."""
    folder = tmp_path_factory.mktemp("nights")
    home = make_home(folder / "home")
    landing = folder / "landing"
    landing.mkdir()
    for name in ("registry.csv", "annotations.csv"):
        (landing / name).write_bytes(FILES[name])
    for night in range(6):
        data = v1("DV-1", 10 * night, 10 * night + 30, f"2031-03-10T{16 + night}:00:00+01:00")
        (landing / f"night {night}.csv").write_bytes(data)
        load(home, [landing])
    shutil.copytree(home.root, folder / "as made")
    yield home
    shutil.rmtree(home.root)


@pytest.fixture
def many(six_nights: Home) -> Home:
    """The home after six small nights, as it was; where it was, since its database names the lake's place."""
    shutil.rmtree(six_nights.root)
    shutil.copytree(six_nights.root.parent / "as made", six_nights.root)
    return Home(six_nights.root)


def test_many_small_nights_become_few_files_and_not_a_row_changes(many: Home) -> None:
    before, database = contents(many), many.database.read_bytes()
    assert len(many.lake.files(MINUTE)) == 6
    (many.root / "lake" / "course" / "bucket=0").mkdir(exist_ok=True)
    (many.root / "lake" / "course" / "bucket=0" / "part-00000-never-committed.parquet").write_bytes(b"PAR1")
    upkeep = maintain(many, rules=AT_ONCE)
    assert len(many.lake.files(MINUTE)) == len(many.lake.files(LOAD_FILE)) == 1
    assert differences(contents(many), before) == []
    assert many.database.read_bytes() == database
    assert orphans(many) == []
    assert upkeep.freed > 0
    again = maintain(many, rules=AT_ONCE)
    assert again.freed == 0
    assert all(t.files_before == t.files_after and not t.removed and not t.log_removed for t in again.tables)
    assert again.bytes_after == again.bytes_before


def test_what_went_out_of_use_this_week_stays_for_whoever_reads_an_earlier_database(many: Home) -> None:
    upkeep = maintain(many, rules=USUAL)
    assert sum(tended.removed for tended in upkeep.tables) == 0
    assert len(many.lake.files(MINUTE)) == 1


def test_an_open_reader_and_the_published_view_keep_their_files(many: Home, tmp_path: Path) -> None:
    ask = "SELECT count(*), sum(air_leak_ml_min), min(minute) FROM minute"
    with duckdb.connect(str(many.database), read_only=True) as held:
        before = held.execute(ask).fetchall()
        files = many.lake.files(COURSE)
        maintain(many, rules=AT_ONCE)
        assert held.execute(ask).fetchall() == before
        assert all(Path(file).exists() for file in files)
    (tmp_path / "late.csv").write_bytes(v1("DV-1", 300, 340, "2031-03-11T16:00:00+01:00"))
    assert load(many, [tmp_path / "late.csv"]).published
    upkeep = maintain(many, rules=AT_ONCE)
    assert sum(tended.removed for tended in upkeep.tables if tended.table == COURSE.name) > 0
    assert not all(Path(file).exists() for file in files)


def test_an_old_extract_is_still_verified_from_the_versions_it_was_made_from(
    tmp_path: Path, samples: list[Path]
) -> None:
    home = make_home(tmp_path / "home")
    load(home, [folder for folder in samples if folder.name in ("north", "lakeside", "ward")])
    made = run_extract(home, COHORT, tmp_path / "extract")
    (tmp_path / "late.csv").write_bytes(v1("DV-0001", 0, 40, "2031-03-11T16:00:00+01:00", session=99))
    assert load(home, [tmp_path / "late.csv"]).published
    upkeep = maintain(home, rules=AT_ONCE)
    note = note_of(home, made.extract_id)
    assert note is not None
    kept = {tended.table: tended.kept for tended in upkeep.tables}
    assert all(version in kept[table] for table, version in note["lake_versions"]["lake"].items())
    verdict = run_verify(home, tmp_path / "extract")
    assert verdict.same
    assert "versions" in json.dumps(verdict.__dict__)


def test_nothing_is_taken_away_while_nobody_can_tell_what_is_needed(many: Home) -> None:
    before = sorted(many.root.rglob("*.parquet"))
    note = many.private / "extracts" / "X1.json"
    note.parent.mkdir()
    note.write_text("{")
    with pytest.raises(LedgerError, match=r"this extract's note cannot be read .* restore it from a backup"):
        maintain(many, rules=AT_ONCE)
    note.unlink()
    many.database.chmod(0o600)
    many.database.write_bytes(b"")
    with pytest.raises(LedgerError, match="cannot be read, so nobody can tell"):
        maintain(many, rules=AT_ONCE)
    assert sorted(many.root.rglob("*.parquet")) == before


def test_maintenance_waits_for_no_load_and_hinders_none(many: Home) -> None:
    with many.reading(), pytest.raises(LedgerError, match="is reading here"):
        maintain(many)
    with many.locked(), pytest.raises(LedgerError, match="another load is running here"):
        maintain(Home(many.root))


def test_what_dead_processes_left_is_swept_and_what_the_living_write_is_not(many: Home) -> None:
    dead, living = 2**22 + 1, 1  # beyond the greatest number a process can have; the first of all processes
    left = [
        many.root / "raw" / f"x.{dead}.part",
        many.private / "readings" / f"x.json.{dead}.part",
        many.private / f"secret.{dead}.part",
        many.private / f"verify-{dead}",
        many.root / ".drainledger.duckdb.building-abc",
        many.root / "drainledger.duckdb.wal",
        many.root / "lake" / "minute" / "month=2031-03" / "part.parquet#1",
        many.root / "lake" / "minute" / "_delta_log" / "_commit_x.json.tmp",
    ]
    for path in left:
        path.mkdir() if "verify" in path.name or "building" in path.name else path.write_bytes(b"half")
    at_work = many.private / f"note.json.{living}.part"
    at_work.write_bytes(b"half")
    assert {leftover.path for leftover in leftovers(many.root)} == set(left)
    assert len(maintain(many).swept) == len(left)
    assert not any(path.exists() for path in left)
    assert at_work.exists()


def test_the_commands_say_what_they_did(many: Home, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["maintain", "--home", str(many.root)]) == 0
    said = capsys.readouterr().out
    assert "minute: 6 files put together as 1" in said
    assert run(["maintain", "--json", "--home", str(many.root)]) == 0
    assert json.loads(capsys.readouterr().out)["freed_bytes"] == 0
