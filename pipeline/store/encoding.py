"""How the Parquet files of the lake are encoded and compressed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from schemas.table import Table

if TYPE_CHECKING:  # takes longer to import than a small table takes to read
    from deltalake import WriterProperties


def writer_properties(table: Table) -> WriterProperties:
    """How the table's Parquet files are encoded and compressed."""
    from deltalake import ColumnProperties, WriterProperties

    # Counters and clocks go up by the same step from row to row; kept as differences they shrink to next to
    # nothing. `make bench BENCH=storage` holds this and the level of Zstandard against others.
    differences = ColumnProperties(dictionary_enabled=False, encoding="DELTA_BINARY_PACKED")
    steady = [c.name for c in table.columns if c.dtype.is_integer() or isinstance(c.dtype, pl.Datetime)]
    return WriterProperties(
        compression="ZSTD",
        compression_level=3,
        column_properties=dict.fromkeys(steady, differences),
    )
