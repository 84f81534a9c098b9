"""`select`: one SELECT on the published database, and no way out of it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.marts import dump, select
from schemas.errors import CallError, LedgerError

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def home(make_ward_month, minutes_from, tmp_path_factory):
    folder = tmp_path_factory.mktemp("home")
    ward_month = make_ward_month()
    start = datetime(2031, 3, 1, 12, tzinfo=UTC)
    ward_month.course(folder / "lake" / "part", minutes_from("u", start, 3))
    ward_month.put(
        "drain_use",
        [{"drain_id": "d1a", "use_id": "u", "from_at": start, "until_at": datetime(2031, 3, 2, tzinfo=UTC)}],
    )
    ward_month.publish(folder / "drainledger.duckdb")
    (folder / "private").mkdir()
    pl.DataFrame({"secret": ["s"]}).write_parquet(folder / "private" / "keys.parquet")
    pl.DataFrame({"secret": ["s"]}).write_csv(folder / "private" / "keys.csv")
    (folder / "lake_of_others").mkdir()
    pl.DataFrame({"secret": ["s"]}).write_parquet(folder / "lake_of_others" / "keys.parquet")
    return folder


@pytest.fixture(scope="module")
def asked(home):
    def ask(sql: str) -> pl.DataFrame:
        return select(home / "drainledger.duckdb", sql, home / "lake")

    return ask


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT count(*) FROM drain",
        "select count(*) from drain ;",
        "-- how many?\nSELECT count(*) FROM drain -- all of them\n",
        "WITH yes AS (SELECT * FROM drain WHERE prolonged_leak = 'yes') SELECT count(*) FROM yes",
        "FROM drain SELECT count(*)",
        "VALUES (1), (2)",
        "(SELECT 1) UNION ALL (SELECT 2)",
        "DESCRIBE drain",
        "SHOW TABLES",
        "SUMMARIZE operation",
        "SELECT count(*) FROM minute",
        "SELECT ';COPY drain TO ''x''' AS harmless",
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 3) SELECT * FROM n",
        "SELECT * FROM range(3)",
        "SELECT * FROM drainledger.main.drain",
        "SELECT * FROM information_schema.tables",
        'WITH "a b" AS (SELECT 1) SELECT * FROM "a b"',
        "SELECT histogram(minutes_observed) FROM drain",
        "SELECT count(*) FROM prolonged_leak_signals(deviations := 3)",
        "SELECT comment FROM duckdb_columns() WHERE table_name = 'drain'",
    ],
)
def test_a_select_in_any_dress_is_run(asked, sql):
    assert asked(sql).height > 0


@pytest.mark.parametrize(
    "sql",
    [
        "",
        "-- nothing",
        "SELECT 1; SELECT 2",
        "SELECT 1; DROP TABLE drain",
        "DELETE FROM drain",
        "INSERT INTO drain SELECT * FROM drain",
        "UPDATE drain SET unit = 'B'",
        "CREATE TABLE mine AS SELECT 1",
        "CREATE TEMP TABLE mine AS SELECT 1",
        "DROP TABLE drain",
        "COPY drain TO '{out}'",
        "COPY (SELECT 1) TO '{out}'",
        "WITH out AS (COPY (SELECT 1) TO '{out}') SELECT * FROM out",
        "WITH a AS (SELECT 1), out AS (COPY (SELECT 1) TO '{out}') SELECT * FROM a",
        "WITH gone AS (DELETE FROM drain RETURNING drain_id) SELECT * FROM gone",
        "WITH put AS (INSERT INTO drain SELECT * FROM drain RETURNING 1) SELECT * FROM put",
        "WITH new AS (UPDATE drain SET unit = 'B' RETURNING 1) SELECT * FROM new",
        "SELECT * FROM query('WITH out AS (COPY (SELECT 1) TO ''{out}'') SELECT * FROM out')",
        "SELECT * FROM json_execute_serialized_sql('{{}}')",
        "SELECT * FROM enable_logging(storage := 'file', storage_path := '{out}')",
        "SELECT * FROM force_checkpoint()",
        "EXPORT DATABASE '{out}'",
        "ATTACH '{out}' AS mine",
        "SET memory_limit = '1GB'",
        "RESET lock_configuration",
        "PRAGMA enable_profiling",
        "CALL pragma_version()",
        "INSTALL httpfs",
        "LOAD httpfs",
        "USE memory",
        "CHECKPOINT",
        "EXPLAIN ANALYZE COPY drain TO '{out}'",
        "PREPARE q AS SELECT 1",
        "SELECT * FROM drain WHERE unit = ?",
        "MERGE INTO drain USING operation ON true WHEN MATCHED THEN DELETE",
        "SELECT * FROM glob('{out}*')",
        "SELECT * FROM read_parquet('{out}')",
        "SELECT * FROM parquet_metadata('{out}')",
        "SELECT * FROM read_text('{out}')",
        "SELECT * FROM read_csv('{out}')",
        "SELECT * FROM sniff_csv('{out}')",
        "SELECT * FROM system.main.read_text('{out}')",
        "SELECT * FROM \"READ_TEXT\"('{out}')",
        "SELECT (SELECT content FROM read_text('{out}'))",
        "SELECT * FROM drain, LATERAL read_text('{out}')",
        "SELECT * FROM drain WHERE site IN (SELECT content FROM read_text('{out}'))",
        "SELECT * FROM drain ORDER BY (SELECT content FROM read_text('{out}'))",
        "SELECT list_transform([1], lambda x: (SELECT content FROM read_text('{out}')))",
        "WITH a AS (FROM '{out}') FROM a",
        "TABLE '{out}'",
        "SELECT current_setting('secret_directory')",
        "SELECT getenv('HOME')",
        "SELECT write_log('x')",
        "SELECT sleep_ms(100000)",
        "SELECT pg_sleep(100)",
        "SELECT * FROM duckdb_settings()",
        "SELECT * FROM duckdb_secrets()",
        "SELECT * FROM duckdb_databases",
        "SELECT * FROM pg_catalog.pg_settings",
        "SELECT * FROM query_table(['drain'])",
        "PIVOT drain ON site USING count(*)",
        "SELECT 1 /* ; */; DELETE FROM drain",
    ],
)
def test_anything_else_is_refused_in_one_sentence_and_writes_nothing(asked, home, sql):
    before = sorted(home.rglob("*"))
    out = home / "lake" / "out.csv"
    with pytest.raises(CallError) as refusal:
        asked(sql.format(out=out))
    message = str(refusal.value)
    assert message.startswith("sql: ")
    assert "\n" not in message
    assert message.endswith(".")
    assert sorted(home.rglob("*")) == before


@pytest.mark.parametrize(
    "path",
    [
        "/etc/passwd",
        "{home}/private/keys.csv",
        "{home}/private/keys.parquet",
        "{home}/lake_of_others/keys.parquet",
        "{home}/lake/../private/keys.parquet",
        "{home}/lake/*/../../private/keys.parquet",
        "https://example.org/keys.parquet",
    ],
)
@pytest.mark.parametrize("reading", ["SELECT * FROM '{}'", "SELECT * FROM read_parquet('{}')"])
def test_no_file_but_the_lakes_can_be_read(asked, home, path, reading):
    with pytest.raises((CallError, LedgerError)):
        asked(reading.format(path.format(home=home)))


@pytest.mark.parametrize("name", ["part.parquet", '"part.parquet"', "main.part.parquet", "'part.parquet'"])
def test_not_even_a_file_of_the_lake_is_read_by_its_name(asked, home, monkeypatch, name):
    # A bare name with a dot is looked for in the folder one stands in, and that may be the lake's.
    folder = home / "lake" / "part"
    (folder / "part.parquet").write_bytes((folder / "part-0.parquet").read_bytes())
    monkeypatch.chdir(folder)
    try:
        with pytest.raises(CallError, match=r"another file|no schema"):
            asked(f"SELECT * FROM {name}")
    finally:
        (folder / "part.parquet").unlink()


@pytest.mark.parametrize(
    "sql",
    [
        'SELECT b.* FROM (WITH "{file}" AS (SELECT 1) FROM "{file}") AS a, "{file}" AS b',
        'SELECT (WITH "{file}" AS (SELECT 1 AS i) SELECT max(i) FROM "{file}"), * FROM "{file}"',
        "FROM histogram_values('{file}', minute)",
        "FROM histogram('{file}', minute)",
        'FROM histogram_values("{file}", minute)',
        "FROM pragma_table_info('{file}')",
    ],
)
def test_no_detour_leads_to_a_file_of_the_lake(asked, home, sql):
    # With the word `minute` in it too: then the engine itself would let the lake's folder be read.
    file = home / "lake" / "part" / "part-0.parquet"
    with pytest.raises(CallError):
        asked(sql.format(file=file) + " -- minute")


def test_a_query_that_does_not_ask_for_minutes_finds_the_lake_shut(home, monkeypatch):
    monkeypatch.setattr(sys.modules["pipeline.query.select"], "only_select", lambda sql: sql)
    file = home / "lake" / "part" / "part-0.parquet"
    with pytest.raises(CallError, match="another file"):
        select(home / "drainledger.duckdb", f"SELECT count(*) FROM '{file}'", home / "lake")


def test_a_link_in_the_homes_path_does_not_shut_the_lake_out(home, tmp_path):
    linked = tmp_path / "linked"
    linked.symlink_to(home, target_is_directory=True)
    found = select(linked / "drainledger.duckdb", "SELECT count(*) AS n FROM minute", linked / "lake")
    assert found["n"].to_list() == [3]


def test_variables_of_the_calling_program_are_not_tables(asked):
    patients = pl.DataFrame({"name": ["invented"]})
    with pytest.raises(CallError, match="no table 'patients'"):
        asked("SELECT * FROM patients")
    assert patients.height == 1


def test_instants_come_back_in_utc_wherever_the_machine_stands(asked, monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        found = asked(
            "SELECT origin_at, CAST(origin_at AS VARCHAR) AS text FROM drain WHERE drain_id = 'd1a'"
        )
    finally:
        monkeypatch.undo()
        time.tzset()
    assert found.schema["origin_at"] == pl.Datetime("us", "UTC")
    assert found.row(0) == (datetime(2031, 3, 1, 12, tzinfo=UTC), "2031-03-01 12:00:00+00")


def test_sums_of_counts_are_whole_numbers(asked):
    found = asked("SELECT sum(minutes_observed) AS minutes, sum(drains) AS n FROM drain, operation")
    assert found.schema == {"minutes": pl.Int64, "n": pl.Int64}


def test_one_instant_less_another_is_a_duration_and_keeps_the_order(asked):
    found = asked(
        "SELECT drain_id, tube_out_at - tube_in_at AS stay, ended_at - origin_at AS stay FROM drain "
        "WHERE site = 'lakeside' ORDER BY drain_id DESC -- the last first"
    )
    assert found.columns == ["drain_id", "stay", "stay_1"]
    assert found["stay"].unique().to_list() == [timedelta(days=2)]
    assert found["drain_id"].is_sorted(descending=True)


@pytest.mark.parametrize("value", ["[INTERVAL 3 HOURS]", "union_value(a := 1)"])
def test_what_no_frame_can_hold_is_said(asked, value):
    with pytest.raises(CallError, match="cast it to VARCHAR"):
        asked(f"SELECT {value} AS odd")


def test_a_whole_number_beyond_64_bits_is_not_lost(asked):
    found = asked("SELECT 170141183460469231731687303715884105727::HUGEINT AS n, NULL::HUGEINT AS none")
    assert found["n"][0] is not None
    assert found["none"][0] is None


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        (
            'SELECT 1 FROM drain WHERE unit = "T4"',
            r"no column 'T4'; a text stands in single quotes: 'T4'",
        ),
        ("SELECT 1 FROM drain WHERE unit = T4", r"no column 'T4'; a text stands in single quotes: 'T4'"),
        (
            "SELECT 1 FROM drain WHERE started_at > 2031-03-01",
            r"2031-03-01 without quotes is a subtraction; write a date in single quotes: '2031-03-01'",
        ),
        ("SELECT 1 FROM drain WHERE started_at = 2031-03-01T10:00", r"in single quotes: '2031-03-01T10:00'"),
        ("SELECT ward FROM drain", r"no column 'ward' here; it is called unit"),
        ("SELECT unt FROM prolonged_leak_rate", r"no column 'unt'; the nearest (is|are) unit"),
        ("SELECT drain.leek_hours FROM drain", r"no column 'leek_hours'; the nearest (is|are) leak_hours"),
        ("SELECT leak_hours FROM prolonged_leak_rate", r"no column 'leak_hours' here; drain, .* have it"),
        ("SELECT dran.leak_hours FROM drain", r"no table 'dran'; the nearest are drain"),
        ("SELECT leak_hours::INTEGR FROM drain", r"no type 'INTEGR'; the nearest are integer"),
        ("SELECT wilson_low('a')", r"wilson_low is called as wilson_low\(k, n, level := 0.95\)"),
        ("SELECT lower(1, 2)", r"it takes lower\(.*VARCHAR\)"),
        ("SELECT *\nFROM drain\nWHER site = 'a'", r"syntax error .* \(line 3, at \"site"),
        ("SELECT site\nFROM drain\nGROUP BY unit", r"must appear in the GROUP BY .*\(line 1, at 'site'\)"),
        ("SELECT * FROM elsewhere.drain", r"no schema 'elsewhere'"),
        ("SELECT * FROM drian", r"no table 'drian'; the nearest (is|are) drain"),
        ("SELECT wilson_lo(1, 2)", r"no function 'wilson_lo'; the nearest are wilson_low"),
        ("SELECT count(*) fom drain", r"syntax error at or near \"drain\" \(line 1, at 'drain'\)"),
        ("SELECT 'x'::INTEGER", r"could not convert string 'x'"),
        ("SELECT site, count(*) FROM drain", r"column \"site\" must appear in the GROUP BY"),
        ("DROP TABLE drain", r"a DROP was asked for"),
        ("WITH o AS (COPY (SELECT 1) TO 'x') SELECT 1", r"the query holds a COPY"),
        ("", r"no statement in the text"),
    ],
)
def test_a_refusal_says_what_is_wrong_and_the_nearest_names(asked, sql, says):
    with pytest.raises(CallError, match=says):
        asked(sql)


def test_before_anything_is_published_the_way_on_is_said(tmp_path):
    with pytest.raises(LedgerError, match="nothing has been published yet"):
        select(tmp_path / "drainledger.duckdb", "SELECT 1", tmp_path)


def test_a_file_that_is_no_database_is_said_to_be_none(tmp_path):
    broken = tmp_path / "drainledger.duckdb"
    broken.write_bytes(b"not a database at all" * 999)
    with pytest.raises(LedgerError, match="cannot be opened"):
        select(broken, "SELECT 1", tmp_path)


def test_two_queries_at_once_do_not_bar_each_other(asked):
    with ThreadPoolExecutor(4) as workers:
        counts = list(workers.map(asked, ["SELECT count(*) AS n FROM drain"] * 8))
    assert [c["n"][0] for c in counts] == [13] * 8


def test_so_many_rows_are_handed_back_in_the_querys_order(home):
    database, lake = home / "drainledger.duckdb", home / "lake"
    ordered = "SELECT drain_id, tube_out_at - tube_in_at AS stay FROM drain ORDER BY drain_id DESC"
    found = select(database, ordered, lake, most=5)
    assert found["drain_id"].to_list() == select(database, ordered, lake)["drain_id"].to_list()[:5]
    assert select(database, "DESCRIBE drain", lake, most=2).height == 2
    assert select(database, "FROM range(1000000000000)", lake, most=3)["range"].to_list() == [0, 1, 2]


def test_an_interrupt_stops_a_long_query(home):
    program = (
        "import signal, sys, pathlib\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from pipeline.marts import select\n"
        "print('asking', flush=True)\n"
        "try:\n"
        "    select(pathlib.Path(sys.argv[1]), 'SELECT count(*) FROM range(100000000) a, '\n"
        "           'range(100000000) b WHERE (a.range * b.range) % 7 = 3', pathlib.Path(sys.argv[2]))\n"
        "except KeyboardInterrupt:\n"
        "    print('stopped', flush=True)\n"
    )
    command = [sys.executable, "-c", program, str(home / "drainledger.duckdb"), str(home)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as asking:
        assert asking.stdout.readline() == "asking\n"
        time.sleep(1)
        os.kill(asking.pid, signal.SIGINT)
        assert asking.communicate(timeout=20)[0] == "stopped\n"


def test_an_interrupt_while_a_query_is_handed_over_stops_it_too(home, monkeypatch):
    handed_over = []

    class Interrupted(threading.Thread):
        def start(self) -> None:
            super().start()
            handed_over.append(self)
            raise KeyboardInterrupt

    monkeypatch.setattr(sys.modules["pipeline.query.select"], "Thread", Interrupted)
    endless = "SELECT count(*) FROM range(100000000) a, range(100000000) b WHERE (a.range * b.range) % 7 = 3"
    with pytest.raises(KeyboardInterrupt):
        select(home / "drainledger.duckdb", endless, home / "lake")
    (worker,) = handed_over
    worker.join(timeout=20)
    assert not worker.is_alive()


def test_asking_leaves_the_database_as_it_was(asked, home):
    before = dump(home / "drainledger.duckdb")
    asked("SELECT * FROM drain")
    assert dump(home / "drainledger.duckdb") == before
