"""Law: a reader sees the ledger before a load or after it, and a killed load is finished by the next one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from flows.loading.load import run_rebuild
from flows.loading.request import request_for
from pipeline.store import Home
from schemas.errors import LedgerError
from tests.support.homes import NOW, differences, load, make_home, published

HERE = Path(__file__).parent
ENVIRONMENT = os.environ | {"PYTHONPATH": str(HERE.parent.parent)}

# A load of the small folder has some seventy moments just before or after a write to the store; it is
# killed at these: in intake, among devices, among drains. tests/faults kills at each moment that has a name.
FATAL_MOMENTS = (6, pytest.param(24, marks=pytest.mark.long), 48, pytest.param(69, marks=pytest.mark.long))


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory, small: list[Path]) -> Home:
    home = make_home(tmp_path_factory.mktemp("undisturbed"))
    load(home, small)
    return home


def killed_load(home: Home, fatal: int, paths: list[Path]) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(HERE / "killed_load.py"), str(home.root), str(fatal), *map(str, paths)]
    return subprocess.run(command, env=ENVIRONMENT, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("fatal", FATAL_MOMENTS)
def test_a_load_killed_beside_a_write_is_finished_by_the_next(
    fatal: int, tmp_path: Path, small: list[Path], undisturbed: Home
) -> None:
    home = make_home(tmp_path / "home")
    assert killed_load(home, fatal, small).returncode == -signal.SIGKILL
    load(home, small)
    assert differences(published(home), published(undisturbed)) == []
    assert not home.journal.exists()
    assert list(home.root.glob(".*building*")) == []


def test_a_load_on_a_loaded_ledger_killed_before_publishing_leaves_the_old_answers(
    tmp_path: Path, small: list[Path]
) -> None:
    home = make_home(tmp_path / "home")
    first, late = small[:4], small[4:]
    load(home, first)
    before = published(home)
    assert killed_load(home, 50, late).returncode == -signal.SIGKILL
    assert differences(published(home), before) == []


def test_a_reader_with_the_database_open_is_not_disturbed_by_a_load(
    tmp_path: Path, small: list[Path]
) -> None:
    home = make_home(tmp_path / "home")
    load(home, small[:1])
    reader = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import duckdb, sys\n"
            f"con = duckdb.connect({str(home.database)!r}, read_only=True)\n"
            "ask = 'SELECT (SELECT count(*) FROM drain), (SELECT count(*) FROM minute)'\n"
            "print(con.sql(ask).fetchall(), flush=True)\n"
            "sys.stdin.readline()\n"
            "print(con.sql(ask).fetchall(), flush=True)\n",
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert reader.stdout is not None
    before = reader.stdout.readline()
    assert before == "[(1, 401)]\n"
    load(home, small)
    after, _ = reader.communicate("go\n")
    assert after == before
    with duckdb.connect(str(home.database), read_only=True) as fresh:
        assert fresh.sql("SELECT count(*) FROM drain").fetchall() == [(4,)]


@pytest.mark.parametrize(
    "fatal", [pytest.param(20, marks=pytest.mark.long), 40, pytest.param(56, marks=pytest.mark.long)]
)
def test_a_killed_correction_that_is_taken_back_leaves_no_trace(
    fatal: int, tmp_path: Path, small: list[Path], undisturbed: Home
) -> None:
    home = make_home(tmp_path / "home")
    load(home, small)
    registry = next(path for path in small if path.name == "registry corrected.csv").read_bytes()
    wrong, right = tmp_path / "wrong.csv", tmp_path / "right.csv"
    wrong.write_bytes(registry.replace(b"2031-04-02", b"2031-04-03").replace(b"15:00:00", b"11:00:00"))
    right.write_bytes(registry.replace(b"2031-04-02", b"2031-04-04"))
    assert killed_load(home, fatal, [wrong]).returncode == -signal.SIGKILL
    load(home, [right])
    tables = published(home)
    expected = published(undisturbed)
    del tables["load_file"], expected["load_file"]  # the two corrections are files of their own
    assert differences(tables, expected) == []


@pytest.mark.parametrize(
    "broken",
    [
        "minute",
        pytest.param("course", marks=pytest.mark.long),
        "load_file",
        pytest.param("drain", marks=pytest.mark.long),
    ],
)
def test_rebuild_mends_a_lake_that_cannot_be_read(
    broken: str, tmp_path: Path, small: list[Path], undisturbed: Home
) -> None:
    home = make_home(tmp_path / "home")
    load(home, small)
    for part in (home.lake.root / broken).rglob("*.parquet"):
        part.chmod(0o600)
        part.write_bytes(b"PAR1 no longer")
    run_rebuild(home, request_for(home), NOW)
    assert differences(published(home), published(undisturbed)) == []
    assert (home.root / "lake.broken-1").is_dir()


@pytest.mark.long
def test_rebuild_knows_the_files_of_a_load_that_was_killed_while_reading(
    tmp_path: Path, small: list[Path], undisturbed: Home
) -> None:
    home = make_home(tmp_path / "home")
    assert killed_load(home, 60, small).returncode == -signal.SIGKILL
    run_rebuild(home, request_for(home), NOW)
    assert differences(published(home), published(undisturbed)) == []


def test_a_rebuild_without_all_raw_files_touches_nothing(tmp_path: Path, small: list[Path]) -> None:
    home = make_home(tmp_path / "home")
    load(home, small)
    before = published(home)
    lost = next(path for path in home.raw.root.glob("*/*") if path.is_file())
    lost.rename(tmp_path / "lost")
    with pytest.raises(LedgerError, match=r"raw file .* cannot be read .* restore"):
        run_rebuild(home, request_for(home), NOW)
    assert not list(home.root.glob("*.broken-*"))
    assert not home.journal.exists()
    assert differences(published(home), before) == []
    assert not load(home, small).published
