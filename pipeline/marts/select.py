"""One SELECT on the published database, walled in: read-only, no files but the lake's, times in UTC."""

from __future__ import annotations

import re
from concurrent.futures import Future, ThreadPoolExecutor, wait
from difflib import get_close_matches
from pathlib import Path

import duckdb
import polars as pl

from pipeline.marts.minute_view import lend_minutes
from pipeline.marts.reader import reader
from pipeline.marts.statement import only_select, parser_complaint
from pipeline.store.lake import Lake
from pipeline.store.place import Place
from schemas.errors import CallError, LedgerError

_OTHER_FILE = "sql: the query asks for another file; only the published database and the lake are read."
_LOOK_UP_SECONDS = 0.1
_MINUTE = re.compile(r"\bminute\b", re.IGNORECASE)
_UNKNOWN_TABLE = re.compile(r'Table with name "?([^"\s]+)"? does not exist')
_UNKNOWN_COLUMN = re.compile(r'Referenced column "([^"]+)"|does not have a column named "([^"]+)"')
_UNKNOWN_FUNCTION = re.compile(r"(?:Function|Macro) with name \"?([^\"\s]+)\"? does not exist")


def select(database: Path, sql: str, lake: Path | Place) -> pl.DataFrame:
    """
    Run one SELECT on the published database and return its rows.

    The database is opened read-only and nothing outside it can be reached but the lake's folder, which
    the view `minute` reads. That permission would cover writing as well, so the text must be a single
    SELECT in the database's own parse, without a part that writes. Instants come back in UTC; lengths
    of time as durations, in which a month of an INTERVAL counts as 30 days.
    Interrupting (Ctrl-C) stops the query.

    Parameters
    ----------
    database
        The published database.
    sql
        One SELECT; WITH, VALUES, DESCRIBE, SHOW and SUMMARIZE count as such.
    lake
        The lake's folder, or its place in an object store.

    Raises
    ------
    CallError
        When the text is not one SELECT, or names a table, column or function that does not exist (the
        nearest names are given), or asks for another file.
    LedgerError
        When the database, or a lake file that the view `minute` rests on, cannot be read.
    """
    query = only_select(sql)
    with reader(database) as connection:
        if not isinstance(lake, Path) and _MINUTE.search(query):
            lend_minutes(connection, Lake(lake))
        _wall_in(connection, lake)
        try:
            return _whole(_rows(connection, query))
        except duckdb.Error as error:
            raise _explained(connection, error) from error
        except pl.exceptions.PolarsError as error:
            raise CallError(
                f"sql: a column cannot be handed back as it is ({_first_line(error)}); cast it to VARCHAR."
            ) from error


def _rows(connection: duckdb.DuckDBPyConnection, query: str) -> pl.DataFrame:
    # The engine does not look at signals while it works, and its threads may be handed them; so it works
    # beside the calling thread, which looks up every so often.
    with ThreadPoolExecutor(max_workers=1) as worker:
        answer: Future[pl.DataFrame] = worker.submit(_answered, connection, query)
        try:
            while not wait([answer], timeout=_LOOK_UP_SECONDS).done:
                pass
        except KeyboardInterrupt:
            connection.interrupt()
            raise
        return answer.result()


def _answered(connection: duckdb.DuckDBPyConnection, query: str) -> pl.DataFrame:
    relation = connection.sql(query)
    lengths = [str(dtype) == "INTERVAL" for dtype in relation.types]
    for name, dtype in zip(relation.columns, relation.types, strict=True):
        if str(dtype) != "INTERVAL" and "INTERVAL" in str(dtype):
            raise CallError(f"sql: column {name!r} holds lengths of time within {dtype}; cast it to VARCHAR.")
    if not any(lengths):
        rows: pl.DataFrame = relation.pl()
        return rows
    # One instant less another is an INTERVAL, which frames do not know; they know durations.
    places = [f"c{place}" for place in range(len(lengths))]
    columns = ", ".join(
        f"epoch_us({c}) AS {c}" if length else c for c, length in zip(places, lengths, strict=True)
    )
    wrapped: pl.DataFrame = connection.sql(
        f"SELECT {columns} FROM ({query}\n) AS answer({', '.join(places)})"
    ).pl()
    return wrapped.select(
        pl.col(place).cast(pl.Duration("us")).alias(name) if length else pl.col(place).alias(name)
        for place, name, length in zip(places, _apart(relation.columns), lengths, strict=True)
    )


def _apart(names: list[str]) -> list[str]:
    """Names of which none comes twice: a, a_1."""
    return [f"{n}_{names[:i].count(n)}" if n in names[:i] else n for i, n in enumerate(names)]


def _whole(rows: pl.DataFrame) -> pl.DataFrame:
    # A sum of whole numbers comes as a 128-bit decimal, which few tools read as a number.
    sums = [name for name, dtype in rows.schema.items() if isinstance(dtype, pl.Decimal) and dtype.scale == 0]
    return rows.with_columns(pl.col(name).cast(pl.Int64) for name in sums if _fits(rows[name]))


def _fits(numbers: pl.Series) -> bool:
    return numbers.cast(pl.Int64, strict=False).null_count() == numbers.null_count()


def _wall_in(connection: duckdb.DuckDBPyConnection, lake: Path | Place) -> None:
    # As it was named and as it really is: the view may have been made through either.
    names = sorted({str(lake.absolute()), str(lake.resolve())}) if isinstance(lake, Path) else []
    folders = ", ".join("'" + name.replace("'", "''") + "'" for name in names)
    connection.execute("SET python_enable_replacements = false")
    # The folder must be allowed before the door is shut: the other order is refused.
    connection.execute(f"SET allowed_directories = [{folders}]")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")


def _explained(connection: duckdb.DuckDBPyConnection, error: duckdb.Error) -> CallError | LedgerError:
    text = str(error)
    if isinstance(error, duckdb.PermissionException):
        return CallError(_OTHER_FILE)
    if found := _UNKNOWN_TABLE.search(text):
        if "/" in found[1]:
            return CallError(_OTHER_FILE)
        return _unknown("table", found[1], _known(connection, "table_name", "information_schema.tables"))
    if found := _UNKNOWN_COLUMN.search(text):
        name = found[1] or found[2]
        return _unknown("column", name, _known(connection, "column_name", "information_schema.columns"))
    if found := _UNKNOWN_FUNCTION.search(text):
        return _unknown("function", found[1], _known(connection, "function_name", "duckdb_functions()"))
    if isinstance(error, duckdb.IOException):
        return LedgerError(
            f"sql: a file of the lake cannot be read ({_first_line(error)}); load or rebuild, then ask again."
        )
    if isinstance(error, duckdb.OutOfMemoryException):
        return LedgerError("sql: the query needs more memory than there is; ask for fewer rows at once.")
    return CallError(f"sql: {parser_complaint(RuntimeError(_first_line(error)))}; mend the query.")


def _known(connection: duckdb.DuckDBPyConnection, name: str, catalogue: str) -> list[str]:
    rows = connection.execute(f"SELECT DISTINCT {name} FROM {catalogue} ORDER BY 1").fetchall()
    return [str(row[0]) for row in rows]


def _unknown(what: str, name: str, known: list[str]) -> CallError:
    nearest = get_close_matches(name.lower(), known, n=3, cutoff=0.5)
    near = (
        f"the nearest are {', '.join(nearest)}"
        if nearest
        else "DESCRIBE a table or SHOW TABLES tells what there is"
    )
    return CallError(f"sql: there is no {what} {name!r}; {near}.")


def _first_line(error: Exception) -> str:
    first = str(error).strip().splitlines()[0]
    return re.sub(r"^[A-Z][A-Za-z ]+ Error: ", "", first).rstrip(".!")
