"""Rows as plain values: what is printed of an answer is the same whether or not it came by way of a frame."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime

import duckdb
import pytest

from flows.show.rows import show_frame, shown
from pipeline.query.remarks import RATE_VIEW
from pipeline.query.rows import Rows, plain_rows
from pipeline.query.select import _framed
from schemas.errors import CallError
from schemas.rates import PROLONGED_LEAK_RATE

PLAIN = [
    "1::TINYINT",
    "9223372036854775808::HUGEINT",
    "sum(3)",
    "0.1::FLOAT",
    "1e300",
    "'nan'::DOUBLE",
    "'-inf'::DOUBLE",
    "1.50::DECIMAL(4, 2)",
    "0.0000001::DECIMAL(9, 7)",
    "-3::DECIMAL(5, 0)",
    "DATE '2031-03-01'",
    "TIMESTAMP '2031-03-01 12:00:00.5'",
    "TIMESTAMPTZ '2031-03-01 12:00+01'",
    "['a', NULL]",
    "[]::VARCHAR[]",
    "NULL::VARCHAR",
    "true",
    "'a\u202eb'",
]
OTHERWISE = [
    "100000000000000000000000000000000000000::HUGEINT",
    "DATE '0001-01-01'",
    "INTERVAL 30 HOUR",
    "{'a': 1}",
    "MAP {'a': 1}",
    "[1, 2]",
    "'x'::ENUM('x', 'y')",
    "'a'::BLOB",
    "3::UTINYINT",
    "TIME '12:00'",
    "'00000000-0000-0000-0000-000000000000'::UUID",
    "NULL",
]


@pytest.fixture(scope="module")
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as opened:
        opened.execute("SET TimeZone = 'UTC'")
        yield opened


def seen(rows: Rows) -> tuple[list[str], list[bool], bool, list[list[str]]]:
    cells = [[shown(value) for value in row] for row in rows.rows]
    return list(rows.columns), list(rows.numbers), rows.in_utc, cells


@pytest.mark.parametrize("value", PLAIN)
def test_a_plain_value_shows_as_it_would_from_a_frame(
    connection: duckdb.DuckDBPyConnection, value: str
) -> None:
    query = f"SELECT {value} AS v UNION ALL SELECT NULL"
    rows = plain_rows(connection.sql(query))
    assert rows is not None
    assert seen(rows) == seen(Rows.of(_framed(connection, query, None)))


@pytest.mark.parametrize("value", OTHERWISE)
def test_a_value_that_a_frame_holds_otherwise_is_left_to_the_frame(
    connection: duckdb.DuckDBPyConnection, value: str
) -> None:
    assert plain_rows(connection.sql(f"SELECT {value} AS v")) is None


def test_columns_of_one_name_are_left_to_the_frame_which_tells_them_apart(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    assert plain_rows(connection.sql("SELECT 1 AS a, 2 AS a")) is None
    assert _framed(connection, "SELECT 1 AS a, 2 AS a", None).columns == ["a", "a_1"]


def test_a_date_beyond_the_calendar_is_not_taken_for_one_within(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    for beyond in ("DATE 'infinity'", "DATE '20000-01-01'", "TIMESTAMP '-infinity'"):
        assert plain_rows(connection.sql(f"SELECT {beyond} AS v")) is None, beyond


@pytest.mark.parametrize(
    "beyond",
    [
        "DATE 'infinity'",
        "DATE '20000-01-01'",
        "DATE '0500-01-01 (BC)'",
        "TIMESTAMP '-infinity'",
        "TIMESTAMPTZ 'infinity'",
    ],
)
def test_a_date_that_cannot_be_shown_is_one_sentence(
    connection: duckdb.DuckDBPyConnection, beyond: str
) -> None:
    frame = _framed(connection, f"SELECT {beyond} AS seen", None)
    with pytest.raises(CallError, match='column "seen" holds a date beyond the years 1 to 9999'):
        Rows.of(frame)
    with pytest.raises(CallError, match="CAST"):
        show_frame(frame, "csv", None)


def test_the_ends_of_the_calendar_can_be_shown(connection: duckdb.DuckDBPyConnection) -> None:
    dates = (
        "DATE '0001-01-01' AS a, DATE '9999-12-31' AS b, TIMESTAMP '9999-12-31 23:59' AS c, NULL::DATE AS d"
    )
    asked = f"SELECT {dates}"
    assert Rows.of(_framed(connection, asked, None)).rows == [
        (date(1, 1, 1), date(9999, 12, 31), datetime(9999, 12, 31, 23, 59), None)
    ]


def test_the_remark_on_rates_speaks_of_the_view_by_its_name() -> None:
    assert PROLONGED_LEAK_RATE.name == RATE_VIEW
