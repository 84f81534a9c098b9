"""Why a query was refused, in one sentence for the person who wrote it, with the nearest names."""

from __future__ import annotations

import re

import duckdb

from pipeline.meant import nearest, nearest_few
from pipeline.query.lending import LENT
from pipeline.query.statement import OTHER_FILE, bare_date, complaint, tables_named
from schemas.errors import CallError, LakeError, LedgerError
from schemas.macros import MACROS
from schemas.views import MINUTE_VIEW

_UNKNOWN_TABLE = re.compile(
    r'Table with name "?([^"\s]+)"? does not exist|Referenced table "([^"]+)" not found'
)
_UNKNOWN_COLUMN = re.compile(r'Referenced column "([^"]+)"|does not have a column named "([^"]+)"')
_UNKNOWN_FUNCTION = re.compile(r"(?:Function|Macro) with name \"?([^\"\s]+)\"? does not exist")
_UNKNOWN_TYPE = re.compile(r"Type with name \"?([^\"\s]+)\"? does not exist")
_WRONG_CALL = re.compile(r"acro \"?(\w+)\"?\(.*does not support the supplied arguments", re.IGNORECASE)
_CANDIDATE = re.compile(r"^\s+(\w+\(.*)$", re.MULTILINE)
_BY_A_BARE_DATE = (duckdb.BinderException, duckdb.ConversionException, duckdb.NotImplementedException)
_MOST_HOLDERS = 4
# What people say, and what the column is called.
_CALLED_HERE = {
    "ward": "unit", "station": "unit", "hospital": "site", "serial": "device", "operation_type": "procedure",
    "surgery": "procedure", "patient": "operation_id", "patient_id": "operation_id",
}  # fmt: skip
_MOVED = (
    "sql: the minutes were published over files of another folder, as when a home was moved; load once more "
    "here (the same files will do), then ask again."
)


def explained(
    connection: duckdb.DuckDBPyConnection, query: str, error: duckdb.Error
) -> CallError | LedgerError:
    """
    What the engine raised, as one sentence of ours.

    Names that do not exist come with the nearest that do: columns of the tables the query names first, then
    those of other tables, with where they are.

    Parameters
    ----------
    connection
        Open on the published database; its catalogue is asked for names.
    """
    text = str(error)
    if LENT in text:
        return LakeError(
            f"sql: a part of the lake cannot be read ({complaint(error)}); run `drainledger rebuild`."
        )
    if isinstance(error, duckdb.PermissionException):
        # A query that names a file itself was refused before it came here: it is the view that names one.
        return LedgerError(_MOVED) if MINUTE_VIEW.name in tables_named(query) else CallError(OTHER_FILE)
    if isinstance(error, _BY_A_BARE_DATE) and (said := bare_date(query)) is not None:
        return CallError(said)
    if found := _UNKNOWN_TABLE.search(text):
        name = found[1] or found[2]
        return _unknown("table", name, _known(connection, "table_name", "information_schema.tables"))
    if found := _UNKNOWN_COLUMN.search(text):
        return _unknown_column(connection, query, found[1] or found[2])
    if found := _UNKNOWN_FUNCTION.search(text):
        return _unknown("function", found[1], _known(connection, "function_name", "duckdb_functions()"))
    if found := _UNKNOWN_TYPE.search(text):
        return _unknown("type", found[1], _known(connection, "lower(type_name)", "duckdb_types()"))
    if (found := _WRONG_CALL.search(text)) and (calls := [m.call for m in MACROS if m.name == found[1]]):
        return CallError(f"sql: {found[1]} is called as {calls[0]}; mend the query.")
    if isinstance(error, duckdb.IOException):
        return LedgerError(
            f"sql: a file of the lake cannot be read ({complaint(error)}); load or rebuild, then ask again."
        )
    if isinstance(error, duckdb.OutOfMemoryException):
        return LedgerError("sql: the query needs more memory than there is; ask for fewer rows at once.")
    if isinstance(error, duckdb.BinderException):
        error = _with_its_place(connection, query, error)
    candidates = _CANDIDATE.findall(text.partition("Candidate")[2])[:3]
    takes = f" (it takes {' or '.join(candidates)})" if candidates else ""
    return CallError(f"sql: {complaint(error)}{takes}; mend the query.")


def _with_its_place(connection: duckdb.DuckDBPyConnection, query: str, error: duckdb.Error) -> duckdb.Error:
    # Bound as a statement the same error says where; what cannot be bound is never run.
    try:
        connection.execute(query)
    except duckdb.BinderException as again:
        return again
    return error


def _unknown_column(connection: duckdb.DuckDBPyConnection, query: str, name: str) -> CallError:
    columns = connection.execute(
        "SELECT table_name, column_name FROM information_schema.columns ORDER BY 1, 2"
    ).fetchall()
    named = tables_named(query)
    # A word that something is compared with was most likely meant as a text.
    meant = re.search(
        rf'"{re.escape(name)}"|(?:[=<>]|\blike\b|\bin\s*\()\s*{re.escape(name)}\b', query, re.IGNORECASE
    )
    quoted = f"a text stands in single quotes: '{name}'" if meant else ""
    here = sorted({column for table, column in columns if table in named})
    called = _CALLED_HERE.get(name.lower())
    if called in here and name.lower() not in here:
        return CallError(f"sql: there is no column {name!r} here; it is called {called}.")
    if nearest(name, here) is not None:
        return _unknown("column", name, here, quoted)
    holders = [table for table, column in columns if column == name.lower()]
    if holders:
        some = ", ".join(holders[:_MOST_HOLDERS]) + (" and others" if len(holders) > _MOST_HOLDERS else "")
        verb = "has" if len(holders) == 1 else "have"
        return CallError(
            f"sql: there is no column {name!r} here; {some} {verb} it{f'; {quoted}' if quoted else ''}."
        )
    return _unknown("column", name, here or sorted({column for _, column in columns}), quoted)


def _known(connection: duckdb.DuckDBPyConnection, name: str, catalogue: str) -> list[str]:
    rows = connection.execute(f"SELECT DISTINCT {name} FROM {catalogue} ORDER BY 1").fetchall()
    return [str(row[0]) for row in rows]


def _unknown(what: str, name: str, known: list[str], hint: str = "") -> CallError:
    some = nearest_few(name, known, 3)
    verb = "is" if len(some) == 1 else "are"
    near = f"the nearest {verb} {', '.join(some)}" if some else ""
    if not some and not hint:
        near = "DESCRIBE a table or SHOW TABLES tells what there is"
    said = "; ".join(part for part in (near, hint) if part)
    return CallError(f"sql: there is no {what} {name!r}; {said}.")
