"""The data dictionary, from the tables' contracts: every column with its type, unit and meaning."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.marts.dictionary import described
from schemas.table import Table

_SCHEMA = {
    "table": pl.String,
    "position": pl.Int32,
    "column": pl.String,
    "type": pl.String,
    "unit": pl.String,
    "may_be_empty": pl.Boolean,
    "key": pl.Boolean,
    "least": pl.Float64,
    "most": pl.Float64,
    "words": pl.String,
    "meaning": pl.String,
}


def dictionary(tables: Sequence[Table]) -> pl.DataFrame:
    """
    One row a column of the extract; units are UCUM codes, empty where there is none.

    Examples
    --------
    >>> from schemas.extract import DRAIN_HOUR
    >>> dictionary([DRAIN_HOUR]).filter(pl.col("column") == "leak_mean_ml_min").row(0)[1:6]
    (7, 'leak_mean_ml_min', 'number', 'mL/min', True)
    """
    rows = [
        (
            table.name,
            position,
            column.name,
            column.type_said,
            column.unit or None,
            column.nullable,
            column.name in table.key,
            column.least,
            column.most,
            "; ".join(column.words) or None,
            column.meaning,
        )
        for table in tables
        for position, column in enumerate(table.columns, 1)
    ]
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


def dictionary_page(tables: Sequence[Table], title: str) -> str:
    """The dictionary as Markdown, a section a table."""
    parts = [
        f"# Data dictionary: {title}",
        "",
        "Units are UCUM codes. An empty cell is unknown, never nil.",
        "",
    ]
    for table in tables:
        parts += described(table)
    return "\n".join(parts)
