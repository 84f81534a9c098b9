"""Reading a published database: nothing can be written, times in UTC, nothing shared with other readers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

from schemas.errors import LedgerError


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
            raise LedgerError(f"{database.name}: cannot be opened ({first}); publish it again.") from error
        connection.execute("USE drainledger")
        connection.execute("SET TimeZone = 'UTC'")
        connection.execute("SET temp_directory = '" + spill.replace("'", "''") + "'")
        yield connection
