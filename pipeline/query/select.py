"""One SELECT on the published database, walled in: read-only, no files but the lake's, times in UTC."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import Future, wait
from contextlib import suppress
from pathlib import Path
from threading import Event, Lock, Thread
from typing import TYPE_CHECKING, TypeVar

import duckdb

from pipeline.query.reader import reader, rows_of
from pipeline.query.rows import Rows, plain_rows
from pipeline.query.statement import only_select
from schemas.errors import CallError

if TYPE_CHECKING:  # frames take longer to import than most queries take
    import polars as pl

    from pipeline.store.place import Place

Found = TypeVar("Found")

_LOOK_UP_SECONDS = 0.1
_OF_THE_STORE = "AWS Error"  # not of a part that the store gives and nobody can read
_MINUTE = re.compile(r"\bminute\b", re.IGNORECASE)


def select(database: Path, sql: str, lake: Path | Place, most: int | None = None) -> pl.DataFrame:
    """
    Run one SELECT on the published database and return its rows.

    The database is opened read-only and the engine may reach nothing outside it but, for a query with the
    word `minute` in it, the lake's folder, which that view reads. That permission would cover writing as
    well, so the text must be a single SELECT in the database's own parse, without a part that writes and
    without naming a file itself. Instants come back in UTC; lengths of time as durations, in which a month
    of an INTERVAL counts as 30 days. Interrupting (Ctrl-C) stops the query.

    Parameters
    ----------
    database
        The published database.
    sql
        One SELECT; WITH, VALUES, DESCRIBE, SHOW and SUMMARIZE count as such.
    lake
        The lake's folder, or its place in an object store.
    most
        Rows to hand back; the first so many, in the query's order.

    Raises
    ------
    CallError
        When the text is not one SELECT, or names a table, column or function that does not exist (the
        nearest names are given), or asks for another file.
    LedgerError
        When the database, or a lake file that the view `minute` rests on, cannot be read.
    """
    return _asked(database, sql, lake, lambda connection, query: _framed(connection, query, most))


def select_rows(database: Path, sql: str, lake: Path | Place, most: int | None = None) -> Rows:
    """
    The same, the rows as plain values: for whoever shows them, and need not wait until frames are imported.

    Only where a column, a name or a value would be another in a frame does the answer come by way of one.
    """

    def answered(connection: duckdb.DuckDBPyConnection, query: str) -> Rows:
        rows = plain_rows(_first(connection.sql(query), most))
        return Rows.of(_framed(connection, query, most)) if rows is None else rows

    return _asked(database, sql, lake, answered)


def _asked(
    database: Path,
    sql: str,
    lake: Path | Place,
    answered: Callable[[duckdb.DuckDBPyConnection, str], Found],
) -> Found:
    query = only_select(sql)
    with reader(database) as connection:
        of_minutes = _MINUTE.search(query) is not None
        if of_minutes and not isinstance(lake, Path):
            from pipeline.query.lending import lend_minutes  # with Arrow, that the fewest questions need
            from pipeline.store.lake import Lake

            lend_minutes(connection, Lake(lake))
        _wall_in(connection, lake if of_minutes and isinstance(lake, Path) else None)
        try:
            return _beside(connection, lambda: answered(connection, query))
        except duckdb.Error as error:
            from pipeline.query.refusals import explained  # with the contracts, that name what there is

            if not isinstance(lake, Path) and _OF_THE_STORE in str(error):
                raise lake.explained(error) or explained(connection, query, error) from error
            raise explained(connection, query, error) from error


def _beside(connection: duckdb.DuckDBPyConnection, answered: Callable[[], Found]) -> Found:
    # The engine does not look at signals while it works, and its threads may be handed them; so it works
    # beside the calling thread, which looks up every so often.
    answer: Future[Found] = Future()
    working, given_up = Lock(), Event()

    def work() -> None:
        with working:
            if given_up.is_set():
                return
            try:
                answer.set_result(answered())
            except BaseException as error:
                answer.set_exception(error)

    try:
        Thread(target=work, daemon=True).start()
        while not wait([answer], timeout=_LOOK_UP_SECONDS).done:
            pass
    except KeyboardInterrupt:
        given_up.set()
        _stop(connection, working)
        raise
    return answer.result()


def _stop(connection: duckdb.DuckDBPyConnection, working: Lock) -> None:
    """Interrupt the engine until nothing works on the connection, whether or not work had begun."""
    while True:
        with suppress(KeyboardInterrupt):  # whoever presses again wants the same
            if working.acquire(timeout=_LOOK_UP_SECONDS):
                return
            # An interrupt between two steps of the engine is lost: again until it has taken.
            connection.interrupt()


def _framed(connection: duckdb.DuckDBPyConnection, query: str, most: int | None) -> pl.DataFrame:
    from polars.exceptions import PolarsError

    try:
        return _whole(_answered(connection, query, most))
    except PolarsError as error:
        raise CallError(
            f"sql: a column cannot be handed back as it is ({_first_line(error)}); cast it to VARCHAR."
        ) from error


def _first(relation: duckdb.DuckDBPyRelation, most: int | None) -> duckdb.DuckDBPyRelation:
    return relation if most is None else relation.limit(most)


def _answered(connection: duckdb.DuckDBPyConnection, query: str, most: int | None) -> pl.DataFrame:
    import polars as pl

    relation = _first(connection.sql(query), most)
    lengths = [str(dtype) == "INTERVAL" for dtype in relation.types]
    for name, dtype in zip(relation.columns, relation.types, strict=True):
        if str(dtype) != "INTERVAL" and "INTERVAL" in str(dtype):
            raise CallError(f"sql: column {name!r} holds lengths of time within {dtype}; cast it to VARCHAR.")
    if not any(lengths):
        return rows_of(relation)
    # One instant less another is an INTERVAL, which frames do not know; they know durations.
    places = [f"c{place}" for place in range(len(lengths))]
    columns = ", ".join(
        f"epoch_us({c}) AS {c}" if length else c for c, length in zip(places, lengths, strict=True)
    )
    answered = connection.sql(f"SELECT {columns} FROM ({query}\n) AS answer({', '.join(places)})")
    wrapped = rows_of(_first(answered, most))
    return wrapped.select(
        pl.col(place).cast(pl.Duration("us")).alias(name) if length else pl.col(place).alias(name)
        for place, name, length in zip(places, _apart(relation.columns), lengths, strict=True)
    )


def _apart(names: list[str]) -> list[str]:
    """Names of which none comes twice: a, a_1."""
    return [f"{n}_{names[:i].count(n)}" if n in names[:i] else n for i, n in enumerate(names)]


def _whole(rows: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    # A sum of whole numbers comes as a 128-bit decimal, which few tools read as a number.
    sums = [name for name, dtype in rows.schema.items() if isinstance(dtype, pl.Decimal) and dtype.scale == 0]
    return rows.with_columns(pl.col(name).cast(pl.Int64) for name in sums if _fits(rows[name]))


def _fits(numbers: pl.Series) -> bool:
    import polars as pl

    return numbers.cast(pl.Int64, strict=False).null_count() == numbers.null_count()


def _wall_in(connection: duckdb.DuckDBPyConnection, lake: Path | None) -> None:
    # As it was named and as it really is: the view may have been made through either.
    names = sorted({str(lake.absolute()), str(lake.resolve())}) if lake is not None else []
    folders = ", ".join("'" + name.replace("'", "''") + "'" for name in names)
    connection.execute("SET python_enable_replacements = false")
    # The folder must be allowed before the door is shut: the other order is refused.
    connection.execute(f"SET allowed_directories = [{folders}]")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET autoinstall_known_extensions = false")
    connection.execute("SET autoload_known_extensions = false")
    connection.execute("SET lock_configuration = true")


def _first_line(error: Exception) -> str:
    first = str(error).strip().splitlines()[0]
    return re.sub(r"^[A-Z][A-Za-z ]+ Error: ", "", first).rstrip(".!")
