"""`drainledger sql` as a person meets it: tables to read, files to take away, and Ctrl-C."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from flows.cli import DONE, WRONG_CALL, run
from pipeline.definitions import load_definitions
from pipeline.marts import publish
from pipeline.marts.build import GIVEN
from schemas.published import TABLES
from tests.support.homes import make_home

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    """A home with a published database of three drains."""
    made = make_home(tmp_path_factory.mktemp("asked") / "ledger")
    frames = {t.name: t.empty() for t in GIVEN}
    rows = [
        {
            "drain_id": f"D{number}",
            "site": "lakeside",
            "unit": unit,
            "linked": True,
            "shared_use": False,
            "uses": 1,
            "minutes_observed": 1440 * number,
            "prolonged_leak": "no",
            "origin_at": datetime(2031, 3, number, 12, 5, tzinfo=UTC),
            "origin_day": date(2031, 3, number),
            "leak_hours": 1234.5 / number,
        }
        for number, unit in enumerate(["A", None, "=cmd|' /C calc'!A0"], start=1)
    ]
    drain = next(table for table in TABLES if table.name == "drain")
    frames["drain"] = drain.conform(pl.DataFrame(rows, infer_schema_length=None))
    publish(made.database, frames, [], load_definitions())
    return made.root


@pytest.fixture
def ask(home, capsys):
    """Runs one query; returns what was printed."""

    def asked(query: str, *options: str, status: int = DONE) -> str:
        assert run(["--home", str(home), "sql", query, *options]) == status
        said = capsys.readouterr()
        return said.out if status == DONE else said.err

    return asked


@pytest.fixture
def narrow(monkeypatch):
    """A terminal of 80 columns."""
    monkeypatch.setattr("flows.show.rows._width", lambda: 80)


def test_a_table_has_aligned_columns_null_for_unknown_and_says_rows_and_utc(ask):
    said = ask("SELECT drain_id, unit, leak_hours, origin_at FROM drain WHERE drain_id < 'D3' ORDER BY 1")
    assert [line.rstrip() for line in said.splitlines()] == [
        "drain_id  unit  leak_hours  origin_at",
        "D1        A        1,234.5  2031-03-01 12:05",
        "D2        null      617.25  2031-03-02 12:05",
        "(2 rows; times in UTC)",
    ]


def test_seconds_yes_and_no_and_lengths_of_time_can_be_read(ask):
    said = ask(
        "SELECT TIMESTAMPTZ '2031-03-01 12:05:07+00' AS a, true AS b, INTERVAL 30 HOURS AS c, [1, NULL] AS d, '' AS e"
    )
    assert said.splitlines()[1].rstrip() == "2031-03-01 12:05:07  yes  1 d 06:00  1, null"


def test_a_long_table_shows_its_first_rows_and_says_that_there_are_more(ask):
    said = ask("FROM range(1000)")
    assert said.count("\n") == 1 + 200 + 2
    assert "(200 rows)" in said
    assert "there are more rows: these are the first 200; --rows shows more, --format csv all" in said
    assert "more rows" not in ask("FROM range(1000)", "--rows", "1000")
    assert "more rows" not in ask("FROM range(200)")
    assert ask("FROM range(1000)", "--format", "csv").count("\n") == 1001


def test_a_table_without_rows_still_has_its_names(ask):
    assert ask("SELECT site, unit FROM drain WHERE false").splitlines() == ["site  unit", "(0 rows)"]


def test_where_long_texts_do_not_fit_they_are_cut_and_that_is_said(ask, narrow):
    said = ask("SELECT drain_id, repeat('word ', 30) AS note FROM drain")
    assert max(len(line) for line in said.splitlines()) <= 80
    assert "…" in said
    assert "long texts are cut; --format csv has them whole" in said


def test_a_table_too_wide_for_the_terminal_is_told_row_by_row_with_nothing_cut(ask, narrow):
    said = ask("SELECT * FROM drain WHERE drain_id = 'D2'")
    assert "-- 1\n" in said
    assert "\nunit                             null\n" in said
    assert "\nleak_hours                       617.25\n" in said


def test_without_a_terminal_nothing_is_cut(ask):
    assert "word " * 29 in ask("SELECT repeat('word ', 30) AS note, * FROM drain")


def test_signs_that_would_drive_a_terminal_are_not_printed(ask):
    said = ask("SELECT chr(27) || '[2J' || chr(10) || 'x' AS odd")
    assert "\x1b" not in said
    assert said.splitlines()[1] == " [2J x"


def test_csv_can_be_opened_in_a_spreadsheet(ask):
    said = ask('SELECT unit, minutes_observed, -1 AS "=n" FROM drain ORDER BY drain_id', "--format", "csv")
    assert said.splitlines() == [
        "unit,minutes_observed,'=n",
        "A,1440,-1",
        ",2880,-1",
        "'=cmd|' /C calc'!A0,4320,-1",
    ]


def test_what_json_has_no_word_for_is_written_so_that_a_program_can_read_it(ask):
    said = ask(
        "SELECT 1.5 AS decimal, INTERVAL 90 MINUTES AS length, TIME '12:05' AS clock, 'x'::BLOB AS bytes, "
        "'inf'::DOUBLE AS none, [DATE '2031-03-01'] AS days, {'a': 1} AS pair",
        "--format",
        "json",
    )
    assert json.loads(said) == [
        {
            "decimal": 1.5,
            "length": 5400.0,
            "clock": "12:05:00",
            "bytes": "78",
            "none": None,
            "days": ["2031-03-01"],
            "pair": {"a": 1},
        }
    ]


@pytest.mark.parametrize("ending", ["csv", "json", "parquet", "txt"])
def test_the_files_ending_says_the_form(ask, tmp_path, ending):
    target = tmp_path / f"out.{ending}"
    ask("SELECT drain_id, unit FROM drain ORDER BY drain_id", "-o", str(target))
    content = target.read_bytes()
    assert {
        "csv": content.startswith(b"drain_id,unit\nD1,A\n"),
        "json": content.startswith(b"[\n"),
        "parquet": content.startswith(b"PAR1"),
        "txt": content.startswith(b"drain_id  unit\n"),
    }[ending]
    assert [path.name for path in tmp_path.iterdir()] == [target.name]


def test_a_query_that_fails_leaves_the_file_of_before(ask, tmp_path):
    target = tmp_path / "out.csv"
    target.write_text("before")
    ask("SELECT nothing FROM drain", "-o", str(target), status=WRONG_CALL)
    assert target.read_text() == "before"
    assert "is a folder" in ask("SELECT 1", "-o", str(tmp_path), "--format", "csv", status=WRONG_CALL)


def test_a_table_of_no_rows_at_most_is_no_table(ask):
    assert "shows at least one row" in ask("SELECT 1", "--rows", "0", status=WRONG_CALL)


ENDLESS = "SELECT count(*) FROM range(100000000) a, range(100000000) b WHERE (a.range * b.range) % 7 = 3"
# One expression in which the engine never looks up.
DEAF = "SELECT list_reduce(range(0, 4000000000), lambda a, b: (a * 7 + b) % 1000003)"


@pytest.mark.parametrize("query", [ENDLESS, DEAF], ids=["endless", "deaf"])
def test_ctrl_c_ends_a_runaway_query_with_one_sentence(home, tmp_path, query):
    program = (
        "import signal, sys\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "import pipeline.marts\n"
        "module = sys.modules['pipeline.query.select']\n"
        "usual = module._answered\n"
        "def told(*given):\n"
        "    print('asking', flush=True)\n"
        "    return usual(*given)\n"
        "module._answered = told\n"
        "from flows.cli import main\n"
        "main(sys.argv[1:])\n"
    )
    target = tmp_path / "out.csv"
    command = [sys.executable, "-c", program, "--home", str(home), "sql", query, "-o", str(target)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    with subprocess.Popen(command, cwd=ROOT, **pipes) as asking:
        assert asking.stdout.readline() == "asking\n"
        os.kill(asking.pid, signal.SIGINT)
        _, said = asking.communicate(timeout=60)
    assert asking.returncode == 130
    assert said == "drainledger: sql: the query was stopped; nothing was written.\n"
    assert not target.exists()
