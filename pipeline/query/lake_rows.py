"""Rows of the lake as plain values, by the database's engine: for whoever looks and computes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import duckdb

from pipeline.store.opened import open_newest
from pipeline.store.place import Folder


def lake_rows(
    connection: duckdb.DuckDBPyConnection, lake: Path, table: str, columns: Sequence[str]
) -> list[tuple[Any, ...]]:
    """
    Some columns of a table of a lake on a disk as it stands, in no order.

    Neither frames nor the contracts are imported for it. What goes wrong comes as the engines raise it:
    `Lake.scan` of the same table says it in a sentence.

    Parameters
    ----------
    connection
        Of the engine; it may reach the lake, and its times are UTC.
    """
    place = Folder(lake / table)
    if not place.has_table():
        return []
    names = open_newest(place).get_add_actions(flatten=True).column("path").to_pylist()
    if not names:
        return []
    files = sorted(f"{place.address}/{name}" for name in names)
    asked = ", ".join(f'"{column}"' for column in columns)
    # Where a file lacks one of the columns the engine says so: it would open each twice to put nulls there.
    query = f"SELECT {asked} FROM read_parquet(?, hive_partitioning = false)"
    return connection.execute(query, [files]).fetchall()


def lake_height(lake: Path, table: str) -> int:
    """How many rows a table has, as its log counts them; an error where the log does not."""
    place = Folder(lake / table)
    if not place.has_table():
        return 0
    counts = open_newest(place).get_add_actions(flatten=True).column("num_records").to_pylist()
    return sum(counts)
