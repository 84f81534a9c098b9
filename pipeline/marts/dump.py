"""Every row of a published database in a fixed order, to compare two publications exactly."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.query.lending import lend_minutes
from pipeline.query.reader import reader
from pipeline.store.lake import Lake
from pipeline.store.place import Place
from schemas.published import CHANGE, DEFINITION, TABLES
from schemas.views import VIEWS

# What the law of purity excepts: when something was done, and how the lake counts its commits.
_BOOKKEEPING = {"load_file": ("loaded_at",), "provenance": ("built_at", "lake_versions")}


def dump(database: Path, lake: Place | None = None) -> dict[str, list[tuple[Any, ...]]]:
    """
    All tables and views of a published database, rows in a full order, values exact.

    Left out: the columns `loaded_at`, `built_at` and `lake_versions`, and the table `change`, which say
    how the database came about and not what it holds. Two databases made from the same files,
    definitions and code dump the same. The view `minute` is read in whole: for tests on small homes.

    Parameters
    ----------
    lake
        Where the lake lies, when in an object store.

    Returns
    -------
    Name of the table or view → its rows as tuples, columns in the contract's order.
    """
    rows: dict[str, list[tuple[Any, ...]]] = {}
    with reader(database) as connection:
        if lake is not None:
            lend_minutes(connection, Lake(lake))
        for table in (*TABLES, DEFINITION, *VIEWS):
            if table.name == CHANGE.name:
                continue
            left_out = _BOOKKEEPING.get(table.name, ())
            columns = ", ".join(f'"{name}"' for name in table.names if name not in left_out)
            found = connection.execute(f'SELECT {columns} FROM "{table.name}" ORDER BY ALL')
            rows[table.name] = found.fetchall()
    return rows
