"""What a person waits for before anything is said: libraries that an answer does not need are not imported."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.store import Home
from tests.laws.conftest import v1
from tests.support.homes import load, make_home

ROOT = Path(__file__).parents[2]
# Each takes from a tenth of a second to a second to import.
COMPUTING = {
    "prefect",
    "scipy",
    "pandas",
    "pandera",
    "altair",
    "pint",
    "numpy",
    "pyarrow",
    "pydantic",
    "structlog",
}
PARSING = {"cyclopts", "rich", "attrs", "docstring_parser"}
READING = {"polars", "duckdb", "deltalake"}


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    made = make_home(tmp_path_factory.mktemp("asked") / "home")
    export = made.root.parent / "a.csv"
    export.write_bytes(v1("DV-1", 0, 30, "2031-03-10T12:00:00+01:00"))
    load(made, [export])
    return made


def imported(*arguments: str) -> set[str]:
    program = (
        "import sys\nfrom flows.cli import run\nassert run(sys.argv[1:]) == 0\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))\n"
        "print(*sorted(name for name in sys.modules if name.startswith('flows.commands.')))"
    )
    call = [sys.executable, "-c", program, *arguments]
    told = subprocess.run(call, capture_output=True, text=True, check=True, cwd=ROOT).stdout.splitlines()
    return {*told[-2].split(), *told[-1].split()}


def test_help_is_read_and_not_made() -> None:
    assert imported("--help") & (COMPUTING | PARSING | READING) == set()


def test_a_query_that_is_printed_imports_the_engine_and_only_the_commands_it_stands_among(home: Home) -> None:
    found = imported("--home", str(home.root), "sql", "SELECT * FROM prolonged_leak_rate")
    assert found & (COMPUTING | READING) == {"duckdb"}
    assert {name for name in found if name.startswith("flows.commands.")} == {"flows.commands.asking"}


def test_a_query_for_a_program_imports_the_engine_and_frames(home: Home) -> None:
    found = imported("--home", str(home.root), "sql", "SELECT * FROM drain", "--format", "csv")
    assert found & (COMPUTING | READING) == {"polars", "duckdb"}


def test_a_look_at_a_ledger_reads_its_tables_and_computes_nothing(home: Home) -> None:
    found = imported("--home", str(home.root), "status")
    assert found & (COMPUTING | READING) == {"duckdb", "deltalake"}
    assert {name for name in found if name.startswith("flows.commands.")} == {"flows.commands.keeping"}
