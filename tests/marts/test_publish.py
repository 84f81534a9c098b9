"""What stands in a published database, and what a publication does to the one before."""

from __future__ import annotations

import re
import stat
import subprocess
import sys
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.definitions import load_definitions
from pipeline.marts import dump, publish, select
from pipeline.marts.build import GIVEN, SQL
from pipeline.marts.figures import figures
from schemas.errors import LedgerError
from schemas.lake import LOAD_FILE, USE_ALERT
from schemas.published import DEFINITION, DRAIN, TABLES
from schemas.table import Table
from schemas.views import VIEWS
from schemas.vocabulary import AlertCode
from shared import SHARED

ROOT = Path(__file__).parents[2]
NASTY = [
    "'; DROP TABLE drain; --",
    "../ward",
    'a "quoted" ward',
    "O'Neill",
    "Ж 病棟",
    "",
    " ",
    "$level {x} %s",
]
TELLING = {"chart_rule.sql", "prolonged_leak_signals.sql"}  # hold sentences and names of rules of their own
ALL = [*TABLES, DEFINITION, *VIEWS]


@pytest.fixture(scope="module")
def empty_database(tmp_path_factory):
    frames = {t.name: t.empty() for t in GIVEN}
    target = tmp_path_factory.mktemp("empty") / "drainledger.duckdb"
    publish(target, frames, [], load_definitions())
    return target


@pytest.mark.parametrize("table", ALL, ids=lambda t: t.name)
def test_every_table_and_view_has_the_contracts_columns_types_and_comments(empty_database, table: Table):
    with duckdb.connect(str(empty_database), read_only=True) as connection:
        found = connection.execute(
            "SELECT column_name, data_type, comment FROM duckdb_columns() WHERE table_name = ? "
            "AND database_name = current_database() ORDER BY column_index",
            [table.name],
        ).fetchall()
    long_names = {"TIMESTAMPTZ": "TIMESTAMP WITH TIME ZONE"}
    assert found == [(c.name, long_names.get(c.duckdb_type, c.duckdb_type), c.comment) for c in table.columns]


def test_every_table_view_and_macro_says_what_it_is(empty_database):
    with duckdb.connect(str(empty_database), read_only=True) as connection:
        tables = connection.execute(
            "SELECT table_name, comment FROM duckdb_tables() UNION ALL "
            "SELECT view_name, comment FROM duckdb_views() WHERE NOT internal"
        ).fetchall()
        macros = connection.execute(
            "SELECT function_name, comment FROM duckdb_functions() WHERE NOT internal"
        ).fetchall()
    assert dict(tables) == {t.name: t.meaning for t in ALL}
    assert {name for name, _ in macros} >= {"wilson_low", "wilson_high", "exact_low", "exact_high"}
    assert [name for name, comment in macros if not comment] == []


def test_a_ledger_without_any_drain_answers_every_table_and_view_with_no_rows(empty_database):
    held = dump(empty_database)
    assert len(held.pop("definition")) > 50
    assert len(held.pop("chart_rule")) == 5
    assert all(rows == [] for rows in held.values())


def test_rows_stand_in_the_order_of_their_key_however_they_came(ward_month, tmp_path):
    straight = ward_month.publish(tmp_path / "straight.duckdb")
    ward_month.frames = {name: frame.reverse() for name, frame in ward_month.frames.items()}
    turned = ward_month.publish(tmp_path / "turned.duckdb")
    assert dump(straight) == dump(turned)
    as_stored = [select(path, "SELECT drain_id FROM drain", tmp_path) for path in (straight, turned)]
    assert as_stored[0].equals(as_stored[1])
    assert as_stored[0]["drain_id"].is_sorted()


def test_publishing_the_same_again_changes_nothing(ward_month, tmp_path):
    target = tmp_path / "drainledger.duckdb"
    first = dump(ward_month.publish(target))
    assert dump(ward_month.publish(target)) == first


def test_the_published_file_is_read_only_and_stands_alone(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    assert stat.S_IMODE(target.stat().st_mode) == 0o444
    assert [path.name for path in tmp_path.iterdir()] == ["drainledger.duckdb"]


def test_a_failing_build_leaves_the_old_database_and_nothing_else(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    before, held = target.stat().st_ino, dump(target)
    ward_month.course_files = [str(tmp_path / "gone.parquet")]
    with pytest.raises(LedgerError, match="the old one stays"):
        ward_month.publish(target)
    assert target.stat().st_ino == before
    assert dump(target) == held
    assert [path.name for path in tmp_path.iterdir()] == ["drainledger.duckdb"]


def test_what_a_killed_build_left_is_swept_by_the_next(ward_month, tmp_path):
    target = tmp_path / "drainledger.duckdb"
    program = (
        "import os, sys, pathlib\n"
        "import pipeline.marts\n"
        "module = sys.modules['pipeline.marts.publish']\n"
        "def die(path, *rest):\n"
        "    path.write_bytes(b'half'); path.with_name(path.name + '.wal').write_bytes(b'half')\n"
        "    os._exit(9)\n"
        "module.build = die\n"
        "module.publish(pathlib.Path(sys.argv[1]), {}, [], None)\n"
    )
    killed = subprocess.run([sys.executable, "-c", program, str(target)], check=False, cwd=ROOT)
    assert killed.returncode == 9
    assert len(list(tmp_path.iterdir())) == 1
    ward_month.publish(target)
    assert [path.name for path in tmp_path.iterdir()] == ["drainledger.duckdb"]


def test_a_stale_log_beside_the_target_does_not_bar_the_new_database(ward_month, tmp_path):
    target = tmp_path / "drainledger.duckdb"
    (tmp_path / "drainledger.duckdb.wal").write_bytes(b"left by something that was killed")
    ward_month.publish(target)
    assert select(target, "SELECT count(*) AS n FROM drain", tmp_path)["n"].to_list() == [13]


def test_another_process_that_reads_the_old_file_is_not_disturbed(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    program = (
        "import duckdb, sys\n"
        "c = duckdb.connect(sys.argv[1], read_only=True)\n"
        "print(c.execute('SELECT count(*) FROM drain').fetchone()[0], flush=True)\n"
        "sys.stdin.readline()\n"
        "print(c.execute('SELECT count(*), count(DISTINCT site) FROM drain').fetchone(), flush=True)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(target)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as reading:
        assert reading.stdout.readline() == "13\n"
        ward_month.frames["drain"] = ward_month.frames["drain"].head(1)
        ward_month.publish(target)
        assert select(target, "SELECT count(*) AS n FROM drain", tmp_path)["n"].to_list() == [1]
        reading.stdin.write("\n")
        reading.stdin.flush()
        assert reading.stdout.readline() == "(13, 2)\n"


def test_a_reader_in_this_process_does_not_keep_the_next_query_on_the_old_file(ward_month, tmp_path):
    target = ward_month.publish(tmp_path / "drainledger.duckdb")
    with duckdb.connect(str(target), read_only=True) as old:
        ward_month.frames["drain"] = ward_month.frames["drain"].head(2)
        ward_month.publish(target)
        assert old.execute("SELECT count(*) FROM drain").fetchone() == (13,)
        assert select(target, "SELECT count(*) AS n FROM drain", tmp_path)["n"].to_list() == [2]


def test_names_of_wards_are_text_whatever_they_look_like(nothing, tmp_path):
    nothing.drains(
        *(
            {
                "drain_id": f"d{i}",
                "site": "lakeside",
                "unit": name,
                "linked": False,
                "shared_use": False,
                "uses": 1,
                "minutes_observed": 1,
                "prolonged_leak": "no",
            }
            for i, name in enumerate(NASTY)
        )
    )
    target = nothing.publish(tmp_path / "drainledger.duckdb")
    held = select(target, "SELECT unit FROM prolonged_leak_rate", tmp_path)["unit"].to_list()
    assert sorted(held) == sorted(NASTY)


def test_a_missing_frame_and_a_breach_of_the_contract_are_named(ward_month, tmp_path):
    whole = dict(ward_month.frames)
    del ward_month.frames["canister"]
    with pytest.raises(LedgerError, match="'canister'"):
        ward_month.publish(tmp_path / "a.duckdb")
    ward_month.frames = {
        **whole,
        "drain": whole["drain"].with_columns(pl.lit("perhaps").alias("prolonged_leak")),
    }
    with pytest.raises(LedgerError, match=r"'drain'.*prolonged_leak.*perhaps"):
        ward_month.publish(tmp_path / "b.duckdb")
    ward_month.frames = {**whole, "drain": pl.concat([whole["drain"], whole["drain"].head(1)])}
    with pytest.raises(LedgerError, match="'drain'"):
        ward_month.publish(tmp_path / "c.duckdb")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_named(ward_month, tmp_path):
    with pytest.raises(LedgerError, match="cannot be built there"):
        ward_month.publish(tmp_path / "nowhere" / "drainledger.duckdb")


def test_the_database_carries_the_figures_it_was_made_with(empty_database):
    held = {row[0]: row[1] for row in dump(empty_database)["definition"]}
    definitions = load_definitions()
    assert held["leak.on_above"] == definitions.leak.on_above
    assert held["statistics.level"] == definitions.statistics.level
    assert held["prolonged_leak.threshold"] == definitions.prolonged_leak[0].threshold
    assert held["prolonged_leak.presume_removal"] == 1.0
    assert held["prolonged_leak.more_than_7_days.threshold"] == definitions.prolonged_leak[1].threshold


def test_tables_keep_what_may_not_be_null(empty_database):
    with duckdb.connect(str(empty_database), read_only=True) as connection:
        nullable = dict(
            connection.execute(
                "SELECT column_name, is_nullable FROM duckdb_columns() WHERE table_name = 'drain'"
            ).fetchall()
        )
    assert nullable == {c.name: c.nullable for c in DRAIN.columns}


def test_words_in_the_sql_are_words_of_the_contract():
    # A reason or status spelt otherwise would silently match nothing.
    words = {word for table in (*ALL, LOAD_FILE, USE_ALERT) for c in table.columns for word in c.words}
    words |= {str(code) for code in AlertCode} | set(figures(load_definitions())["name"])
    # Of a date; no reason given; a column that makes groups; the zone of all instants; between a file's
    # devices; between the parts of a use's name.
    parts = {"month", "", "procedure", "UTC", ";", ":", "/"}
    quoted = {
        word
        for file in [*SQL.glob("*.sql"), *(SHARED / "sql").glob("*.sql")]
        if file.name not in TELLING
        for line in file.read_text(encoding="utf-8").splitlines()
        for word in re.findall(r"'([^']*)'", line.split("--")[0])
    }
    assert quoted - words - parts == set()
