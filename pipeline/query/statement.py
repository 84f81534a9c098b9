"""One SELECT and nothing else: what a query may be, judged on the database's own parse of it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import duckdb

from schemas.errors import CallError
from schemas.macros import MACROS

OTHER_FILE = (
    "sql: the query asks for another file; only the published database is read, and through it its minutes."
)

# Kinds of query that only read. A WITH may hold INSERT, UPDATE, DELETE or COPY and the whole still
# counts as a SELECT, so every part of the parse tree is looked at.
_READING = {
    "SELECT_NODE",
    "SET_OPERATION_NODE",
    "RECURSIVE_CTE_NODE",
    "CTE_NODE",
}
# Functions that stand where a table stands and only read the database. Others read files, run SQL out of a
# text, change settings or write a log. histogram and histogram_values read whatever table a text names, and a
# file is a table to them.
_TABLE_FUNCTIONS = {
    "duckdb_columns",
    "duckdb_constraints",
    "duckdb_functions",
    "duckdb_keywords",
    "duckdb_schemas",
    "duckdb_tables",
    "duckdb_types",
    "duckdb_views",
    "generate_series",
    "json_each",
    "json_tree",
    "pg_timezone_names",
    "pragma_table_info",
    "range",
    "repeat",
    "unnest",
    *(macro.name for macro in MACROS if macro.gives_rows),
}
# Functions of values that do more than compute: they read settings, write a log, wait.
_NOT_COMPUTING = {
    "current_setting",
    "getenv",
    "getvariable",
    "pg_sleep",
    "setseed",
    "setval",
    "sleep_ms",
    "write_log",
}
# Views of the engine that speak of the machine, not of the database.
_OF_THE_MACHINE = {"duckdb_databases", "duckdb_logs", "pg_settings", "pragma_database_list"}
# A name with any other in front is looked for as a file where there is no such schema: part.parquet.
_SCHEMAS = {"", "drainledger", "information_schema", "main", "memory", "pg_catalog", "system", "temp"}
_OF_A_FILE = re.compile(r"[/\\.*?:\[\]]")

_A_BARE_DATE = re.compile(r"(?<![\w.'-])[12]\d{3}-[01]?\d-[0-3]?\d(?:[T ]\d{2}:\d{2}\S*)?(?![\w'-])")
_QUOTED = re.compile(r"'(?:[^']|'')*'|\"[^\"]*\"|--[^\n]*")

# Where the parser's name for a kind of statement is not a word of SQL.
_KINDS = {"MULTI": "PIVOT"}


def only_select(sql: str) -> str:
    """
    The one SELECT in a text (WITH, VALUES, DESCRIBE, SHOW and SUMMARIZE are SELECTs too).

    Raises
    ------
    CallError
        When there is no statement, more than one, one of another kind, one with a part that writes, or
        one that the parser does not understand.

    Examples
    --------
    >>> only_select("SELECT 1;")
    'SELECT 1'
    >>> only_select("DROP TABLE drain")
    Traceback (most recent call last):
    schemas.errors.CallError: sql: a DROP was asked for; give one SELECT, nothing else is run.
    """
    try:
        statements = duckdb.extract_statements(sql)
    except duckdb.Error as error:
        raise CallError(bare_date(sql) or f"sql: {complaint(error)}; mend the query.") from error
    if not statements:
        raise CallError("sql: there is no statement in the text; give one SELECT.")
    if len(statements) > 1:
        raise CallError(
            f"sql: {len(statements)} statements were given; give one SELECT, nothing else is run."
        )
    statement = statements[0]
    kind = _KINDS.get(statement.type.name, statement.type.name)
    if kind != "SELECT":
        raise CallError(f"sql: {_article(kind)} was asked for; give one SELECT, nothing else is run.")
    if statement.named_parameters:
        raise CallError("sql: the query has a parameter (? or $); write the value in its place.")
    query = statement.query.strip().rstrip(";").strip()
    _look_through(query)
    return query


def tables_named(query: str) -> set[str]:
    """Names of the tables and views that a SELECT reads from."""
    return {
        str(node.get("table_name", "")).lower()
        for node in _nodes(_tree(query))
        if node.get("type") == "BASE_TABLE"
    }


def bare_date(query: str) -> str | None:
    """
    What to say of a date that stands in a query without quotes, where it is read as arithmetic.

    Examples
    --------
    >>> bare_date("FROM drain WHERE started_at > 2031-03-01")
    "sql: 2031-03-01 without quotes is a subtraction; write a date in single quotes: '2031-03-01'."
    >>> bare_date("SELECT DATE '2031-03-01'") is None
    True
    """
    found = _A_BARE_DATE.search(_QUOTED.sub("''", query))
    if found is None:
        return None
    return f"sql: {found[0]} without quotes is a subtraction; write a date in single quotes: '{found[0]}'."


def complaint(error: Exception) -> str:
    """The engine's own words for what is wrong, on one line, with the spot it means."""
    text = str(error).strip()
    first = re.sub(r"^[A-Z][A-Za-z ]+ Error: ", "", text.splitlines()[0] if text else "").rstrip(".!: ")
    return first[:1].lower() + first[1:] + _spot(text)


def _spot(text: str) -> str:
    lines = text.splitlines()
    for number, line in enumerate(lines):
        if line.startswith("LINE ") and number + 1 < len(lines):
            head = line.partition(": ")
            column = lines[number + 1].find("^") - len(head[0]) - len(head[1])
            if column >= 0:
                return f" ({head[0].lower()}, at {head[2][column : column + 30].strip()!r})"
    return ""


def _tree(query: str) -> dict[str, Any]:
    with duckdb.connect() as connection:
        row = connection.execute("SELECT json_serialize_sql(?::VARCHAR)", [query]).fetchone()
    tree: dict[str, Any] = json.loads(row[0]) if row else {"error": True}
    return tree


def _look_through(query: str) -> None:
    tree = _tree(query)
    if tree.get("error"):
        raise CallError("sql: only a plain SELECT is run; write the query without PIVOT or other statements.")
    nodes = list(_nodes(tree))
    for node in nodes:
        _refuse_parts_named_like_files(node)
        kind = node.get("type")
        if isinstance(kind, str) and kind.endswith("_NODE") and kind not in _READING:
            word = kind.removesuffix("_QUERY_NODE").removesuffix("_NODE").replace("_", " ")
            raise CallError(f"sql: the query holds {_article(word)}; give one SELECT that only reads.")
        if kind == "TABLE_FUNCTION":
            function = str(node.get("function", {}).get("function_name", "")).lower()
            if function not in _TABLE_FUNCTIONS:
                raise CallError(
                    f"sql: the table function {function!r} is not allowed here; query the published tables "
                    "and views."
                )
        if kind == "BASE_TABLE":
            _refuse_what_is_not_published(node)
        if kind == "FUNCTION" and str(node.get("function_name", "")).lower() in _NOT_COMPUTING:
            raise CallError(
                f"sql: the function {node['function_name']!r} is not allowed here; a query only computes on "
                "the published tables and views."
            )


def _refuse_parts_named_like_files(node: dict[str, Any]) -> None:
    # A part is known only within its own WITH; elsewhere in the query the same name would be a file's.
    for entry in node.get("cte_map", {}).get("map", []):
        if _OF_A_FILE.search(name := str(entry.get("key"))):
            raise CallError(
                f"sql: a part of WITH is called {name!r}, as a file might be; call it by a plain word."
            )


def _refuse_what_is_not_published(node: dict[str, Any]) -> None:
    name = str(node.get("table_name", ""))
    if _OF_A_FILE.search(name):
        raise CallError(OTHER_FILE)
    for part in ("catalog_name", "schema_name"):
        if (before := str(node.get(part, "")).lower()) not in _SCHEMAS:
            raise CallError(f"sql: there is no schema {before!r}; name the table alone, without it.")
    if name.lower() in _OF_THE_MACHINE:
        raise CallError(f"sql: {name!r} tells of the machine; query the published tables and views.")


def _nodes(tree: Any) -> Iterator[dict[str, Any]]:
    waiting = [tree]
    while waiting:
        part = waiting.pop()
        if isinstance(part, dict):
            yield part
            waiting.extend(part.values())
        elif isinstance(part, list):
            waiting.extend(part)


def _article(word: str) -> str:
    return f"{'an' if word[:1] in 'AEIOU' else 'a'} {word}"
