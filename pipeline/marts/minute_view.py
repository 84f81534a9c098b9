"""
The view `minute`: over the lake's own files where any client can open them, else lent by whoever may.

Where the lake lies in an object store, a plain client of the database holds neither its keys nor the
extension that reads it. There the view says so in one sentence, `minute_in_store()` is for a client with
both, and `pipeline/query/lending.py` puts the very rows in the view's place for a connection of ours.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.query.lending import FILES, minute_rows, minute_view
from schemas.lake import COURSE
from schemas.views import MINUTE_VIEW

IN_STORE = "minute_in_store"
FILES_MEANING = "Addresses in the object store of the files that `minute` was published over."
IN_STORE_MEANING = (
    "The rows of `minute` for a client that has DuckDB's httpfs and the object store's credentials; "
    "other clients: drainledger sql."
)
_ELSEWHERE = (
    "minute: its rows lie in an object store ({place}), which this client cannot read; ask with "
    "`drainledger sql`, or load DuckDB's httpfs with the store's credentials and ask FROM minute_in_store()"
)
# Partition folders are not columns of the course; files older than a column lack it.
_READ = "read_parquet({files}, union_by_name = true, hive_partitioning = false)"


def minute_statements(files: Sequence[str]) -> list[str]:
    """
    What makes `minute` in a new database.

    Parameters
    ----------
    files
        Addresses of the lake's course files now in force: absolute paths, or `s3://…`; may be empty.
    """
    if not files:
        columns = ", ".join(f'CAST(NULL AS {c.duckdb_type}) AS "{c.name}"' for c in COURSE.columns)
        return [minute_view(f"(SELECT {columns} WHERE false)")]
    listed = f"[{', '.join(_text(file) for file in sorted(files))}]"
    if not in_store(files):
        return [minute_view(_READ.format(files=listed))]
    place = files[0].rpartition("/course/")[0]
    names = f"CREATE MACRO {FILES}() AS {listed}"
    macro = f"CREATE MACRO {IN_STORE}(files := {listed}) AS TABLE {minute_rows(_READ.format(files='files'))}"
    said = _text(_ELSEWHERE.format(place=place))
    # In the columns and in the rows: whatever a query asks of it, and however the engine shortens that.
    columns = ", ".join(f'CAST(error({said}) AS {c.duckdb_type}) AS "{c.name}"' for c in MINUTE_VIEW.columns)
    view = f"CREATE VIEW minute AS SELECT {columns} FROM range(1) AS nothing WHERE error({said}) IS NOT NULL"
    return [names, macro, view]


def in_store(files: Sequence[str]) -> bool:
    """Whether the lake's files lie in an object store."""
    return bool(files) and "://" in files[0]


def _text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
