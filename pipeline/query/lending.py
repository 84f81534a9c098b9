"""
The view `minute` lent to one connection, where the lake lies in an object store that only we may read.

What a plain client finds there in its place: `pipeline/marts/minute_view.py`.
"""

from __future__ import annotations

from pathlib import Path
from string import Template

import duckdb

from pipeline.store.lake import Lake
from schemas.lake import COURSE

FILES = "minute_files"  # a macro of the database: the addresses that `minute` was published over
LENT = "course_of_lake"
_VIEW = Path(__file__).parents[1] / "marts" / "sql" / "minute.sql"
_BEGINS = "CREATE VIEW minute AS\n"


def lend_minutes(connection: duckdb.DuckDBPyConnection, lake: Lake) -> None:
    """
    Put, for this connection alone, the rows of `minute` in place of the view that says they lie elsewhere.

    Exactly the files that were published are read: the database lists them. Columns and rows that a query
    does not need are not fetched.

    Raises
    ------
    StoreError
        When the object store cannot be read.
    """
    if not connection.execute("SELECT 1 FROM duckdb_functions() WHERE function_name = ?", [FILES]).fetchall():
        return  # nothing was computed yet
    files = connection.execute(f"SELECT {FILES}()").fetchall()[0][0]
    connection.register(LENT, lake.dataset(COURSE, files))
    connection.execute(f"CREATE TEMP VIEW minute AS {minute_rows(LENT)}")


def minute_view(course: str) -> str:
    """The statement that makes the view over rows of the course."""
    return Template(_VIEW.read_text(encoding="utf-8")).substitute(course=course)


def minute_rows(course: str) -> str:
    """The SELECT behind the view."""
    return minute_view(course).partition(_BEGINS)[2].rstrip().rstrip(";")
