"""Fill a new database: tables from frames, macros and views from `sql/`, a comment on everything."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING

import duckdb
import polars as pl

from pipeline.marts.figures import figures
from pipeline.marts.minute_view import (
    FILES_MEANING,
    IN_STORE,
    IN_STORE_MEANING,
    in_store,
    minute_statements,
)
from pipeline.marts.months import alert_by_month, use_by_month
from pipeline.query.lending import FILES
from schemas.errors import LedgerError
from schemas.lake import USE_ALERT, USE_TABLE
from schemas.macros import MACROS
from schemas.published import DEFINITION, TABLES
from schemas.table import Table
from schemas.views import MINUTE_VIEW, VIEWS
from schemas.wards import DEVICE_USE

if TYPE_CHECKING:
    from pipeline.definitions import Definitions

SQL = Path(__file__).parent / "sql"

# Among the views, those without a file in `sql/` are tables: each is filled from the frame of its name.
FROM_FRAMES = tuple(view for view in VIEWS if not (SQL / f"{view.name}.sql").exists())
GIVEN = (*TABLES, *FROM_FRAMES, USE_TABLE, USE_ALERT)  # of each a frame is given
_MACROS = ("figure", "wilson", "binomial", "poisson", "removal")
# Each has a file of its name in `sql/`, and comes after those it reads.
_VIEWS = [view.name for view in VIEWS if view not in (*FROM_FRAMES, MINUTE_VIEW, DEVICE_USE)]
_MACROS_ON_VIEWS = ("prolonged_leak_signals",)

# By the level of intervals, the bytes of a database laid out and empty. Only rows differ from load to load;
# what holds them takes hundreds of statements, which a process that publishes often need not run again.
_WITHOUT_ROWS: dict[float, bytes] = {}


def build(
    path: Path,
    frames: Mapping[str, pl.DataFrame],
    course_files: Sequence[str],
    definitions: Definitions,
) -> None:
    """
    Write a new database to `path`: every table, macro, view and comment; checkpointed and closed.

    Tables take their types and comments from the contracts and their rows in the order of their key;
    nothing depends on the order in which rows come. Parameters and errors as in `publish`.
    """
    level = definitions.statistics.level
    if level in _WITHOUT_ROWS:
        path.write_bytes(_WITHOUT_ROWS[level])
    with duckdb.connect(str(path)) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        if level not in _WITHOUT_ROWS:
            _lay_out(connection, level)
            _WITHOUT_ROWS[level] = path.read_bytes()
        connection.execute("BEGIN")
        for table in (*TABLES, *FROM_FRAMES):
            _fill(connection, table, _frame(frames, table.name))
        _fill(connection, DEFINITION, figures(definitions))
        _view_minutes(connection, course_files)
        uses = use_by_month(_frame(frames, USE_TABLE.name))
        alerts = alert_by_month(_frame(frames, USE_ALERT.name), _frame(frames, USE_TABLE.name))
        connection.register("use_by_month", uses)
        connection.register("alert_by_month", alerts)
        connection.execute(_sql("device_use"))
        connection.unregister("use_by_month")
        connection.unregister("alert_by_month")
        connection.execute("COMMIT")
        connection.execute("CHECKPOINT")


def _lay_out(connection: duckdb.DuckDBPyConnection, level: float) -> None:
    """Make every table, macro, view and comment, without a row; committed and checkpointed."""
    # One transaction: hundreds of comments would each wait for the disk.
    connection.execute("BEGIN")
    for table in (*TABLES, *FROM_FRAMES, DEFINITION, DEVICE_USE):
        _create(connection, table)
    for name in _MACROS:
        connection.execute(_sql(name, level=repr(level)))
    for statement in minute_statements([]):
        connection.execute(statement)
    for name in (*_VIEWS, *_MACROS_ON_VIEWS):
        connection.execute(_sql(name))
    _comment(connection)
    connection.execute("COMMIT")
    connection.execute("CHECKPOINT")


def _view_minutes(connection: duckdb.DuckDBPyConnection, course_files: Sequence[str]) -> None:
    """Put the view over the lake's files in the place of the one without rows."""
    connection.execute(f"DROP VIEW {_name(MINUTE_VIEW.name)}")
    for statement in minute_statements(course_files):
        connection.execute(statement)
    _comment_on(connection, MINUTE_VIEW, "VIEW")
    if in_store(course_files):
        connection.execute(f"COMMENT ON MACRO TABLE {IN_STORE} IS {_text(IN_STORE_MEANING)}")
        connection.execute(f"COMMENT ON MACRO {FILES} IS {_text(FILES_MEANING)}")


def _frame(frames: Mapping[str, pl.DataFrame], name: str) -> pl.DataFrame:
    if name not in frames:
        raise LedgerError(
            f"publish: no frame {name!r} was given; give every published table, or make {name} a view with a "
            f"file {name}.sql in pipeline/marts/sql."
        )
    return frames[name]


def _fill(connection: duckdb.DuckDBPyConnection, table: Table, frame: pl.DataFrame) -> None:
    # Without a key every column takes part, so that the order is full all the same.
    rows = _checked(table, frame)
    if rows.is_empty():
        return
    ordered = rows.sort(list(table.key) or table.names, nulls_last=True)
    connection.register("rows_to_publish", ordered)
    connection.execute(f"INSERT INTO {_name(table.name)} SELECT * FROM rows_to_publish")
    connection.unregister("rows_to_publish")


def _checked(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    if table.fits(frame):
        return frame
    import pandera.errors  # slow to import; where nothing is wrong nobody waits for it

    try:
        return table.validate(frame)
    except pandera.errors.SchemaErrors as error:
        first = error.failure_cases.row(0, named=True)
        raise LedgerError(
            f"publish: table {table.name!r}, {len(error.failure_cases)} breaches of its contract, the first "
            f"in {first['column'] or 'its columns'}: {first['check']} ({first['failure_case']}); "
            "this is a fault in the code, report it."
        ) from error


def _create(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    columns = ", ".join(
        f"{_name(c.name)} {c.duckdb_type}{'' if c.nullable else ' NOT NULL'}" for c in table.columns
    )
    connection.execute(f"CREATE TABLE {_name(table.name)} ({columns})")


def _sql(name: str, **values: str) -> str:
    return Template((SQL / f"{name}.sql").read_text(encoding="utf-8")).substitute(values)


def _comment(connection: duckdb.DuckDBPyConnection) -> None:
    kinds: dict[str, str] = dict(
        connection.execute(
            "SELECT table_name, CASE table_type WHEN 'VIEW' THEN 'VIEW' ELSE 'TABLE' END "
            "FROM information_schema.tables"
        ).fetchall()
    )
    for table in (*TABLES, DEFINITION, *VIEWS):
        _comment_on(connection, table, kinds[table.name])
    for macro in MACROS:
        kind = "MACRO TABLE" if macro.gives_rows else "MACRO"
        connection.execute(f"COMMENT ON {kind} {_name(macro.name)} IS {_text(macro.meaning)}")


def _comment_on(connection: duckdb.DuckDBPyConnection, table: Table, kind: str) -> None:
    name = _name(table.name)
    connection.execute(f"COMMENT ON {kind} {name} IS {_text(table.meaning)}")
    for c in table.columns:
        connection.execute(f"COMMENT ON COLUMN {name}.{_name(c.name)} IS {_text(c.comment)}")


def _name(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


def _text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
