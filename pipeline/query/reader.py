"""Reading a published database: nothing can be written, times in UTC, nothing shared with other readers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import duckdb

from schemas.errors import LedgerError

if TYPE_CHECKING:  # frames take longer to import than most queries take
    import polars as pl

_PLAIN = {
    *("BOOLEAN", "TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT", "FLOAT", "DOUBLE", "DECIMAL"),
    *("VARCHAR", "DATE", "TIME", "TIMESTAMP", "TIMESTAMP WITH TIME ZONE"),
}


@contextmanager
def reader(database: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """
    Open a published database for reading.

    The file is attached to an engine of its own rather than opened directly: connections of one process
    to one file share an engine and its settings, so a second reader would find the settings of the first
    locked, and after a publication it would be given the old file.

    Raises
    ------
    LedgerError
        When nothing has been published, or the file cannot be opened.
    """
    if not database.exists():
        raise LedgerError(f"{database.name}: nothing has been published yet; load some logs first.")
    path = str(database.resolve()).replace("'", "''")
    with TemporaryDirectory(prefix="drainledger-query-") as spill, duckdb.connect() as connection:
        try:
            connection.execute(f"ATTACH '{path}' AS drainledger (READ_ONLY)")
        except duckdb.Error as error:
            first = str(error).strip().splitlines()[0]
            raise LedgerError(
                f"{database.name}: cannot be opened ({first}); the next load or night "
                "publishes it again, as does `drainledger rebuild`."
            ) from error
        connection.execute("USE drainledger")
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET temp_directory = '" + spill.replace("'", "''") + "'")
        yield connection


def rows_of(relation: duckdb.DuckDBPyRelation) -> pl.DataFrame:
    """
    The rows of a relation, a 128-bit sum as a decimal.

    The engine hands rows over by way of PyArrow, which takes longer to import than most queries take. Rows
    of plain types come without it; where something goes wrong there, they are asked for again with it, so
    that a fault is the engine's own and columns of one name are told apart.
    """
    import polars as pl

    if all(str(dtype).partition("(")[0] in _PLAIN for dtype in relation.types):
        with suppress(pl.exceptions.PolarsError):
            return pl.DataFrame(relation)
    rows: pl.DataFrame = relation.pl()
    return rows


def readable(database: Path) -> bool:
    """Whether a published database is there and all of its tables can be read."""
    if not database.exists():
        return False
    try:
        with reader(database) as connection:
            return whole(connection)
    except LedgerError:
        return False


def whole(connection: duckdb.DuckDBPyConnection) -> bool:
    """
    Whether all tables of a database, open as `reader` opens it, can be read.

    Every block holding rows is read once, so that one overwritten in the middle of the file is found by the
    checksum the engine keeps of it; only the views, which hold nothing, are passed over.
    """
    try:
        tables = connection.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = 'drainledger'"
        ).fetchall()
        if ("provenance",) not in tables:
            return False
        for (table,) in tables:
            connection.execute(f'SELECT bit_xor(hash(one)) FROM "{table}" AS one').fetchall()
    except duckdb.Error:
        return False
    return True
