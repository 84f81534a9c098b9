"""Rejected rows and cells in lines for people: runs of alike ones joined, some rules explained."""

from __future__ import annotations

import re
from typing import Any

import polars as pl

from pipeline.ingest.rules import Rule

_ALIKE = ("scope", "column", "rule", "value")
_FATES = {"row": ("row rejected", "rows rejected"), "cell": ("cell made null", "cells made null")}
_NO_OFFSET = re.compile(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}(:\d{2})?(\.\d+)?")


def broken_lines(rejected: pl.DataFrame) -> list[str]:
    """
    One line for each run of rejected rows or cells that differ only in their line, by their first lines.

    Parameters
    ----------
    rejected
        Of one file: `line`, `scope`, `column`, `rule`, `value`.

    Examples
    --------
    >>> rows = [(line, "cell", "tilt", "value_unreadable", "steep") for line in (4, 5, 6, 9)]
    >>> broken_lines(pl.DataFrame(rows, schema=["line", "scope", "column", "rule", "value"], orient="row"))
    ["lines 4 to 6 (3 rows): tilt value_unreadable: 'steep' (cells made null)",
     "line 9: tilt value_unreadable: 'steep' (cell made null)"]
    """
    order = pl.col("line").rank("dense").over(_ALIKE)
    runs = (
        rejected.with_columns(run=pl.col("line").cast(pl.Int64) - order.cast(pl.Int64))
        .group_by(*_ALIKE, "run", maintain_order=True)
        .agg(first=pl.col("line").min(), last=pl.col("line").max(), rows=pl.col("line").n_unique())
        .sort("first", "column", "rule", "value", nulls_last=False, maintain_order=True)
    )
    return [_said(run) for run in runs.iter_rows(named=True)]


def _said(run: dict[str, Any]) -> str:
    what = f"{run['column']} " if run["column"] else ""
    value = f": {run['value']!r}" if run["value"] is not None else ""
    if run["scope"] == "file":
        return _of_file(run["column"], run["rule"], value)
    joined = run["rows"] > 1
    place = (
        f"lines {run['first']} to {run['last']} ({run['rows']} rows)" if joined else f"line {run['first']}"
    )
    hint = _hint(run["column"], run["rule"], run["value"])
    return f"{place}: {what}{run['rule']}{value} ({_FATES[run['scope']][joined]}{hint})"


def _of_file(column: str | None, rule: str, value: str) -> str:
    from pipeline.cohort.cells import RegistryRule  # here: the layer of registries takes a while to import

    if rule == RegistryRule.COLUMN_UNKNOWN:
        asked = f"; did you mean {column}?" if column else "; the layout has none like it"
        return f"header: {rule}{value} (not read{asked})"
    return f"whole file: {column} {rule}{value}" if column else f"whole file: {rule}{value}"


def _hint(column: str | None, rule: str, value: str | None) -> str:
    """What a value that cannot be read should have been, where its column alone tells."""
    if rule != Rule.VALUE_UNREADABLE or column is None:
        return ""
    if column == "session":
        return "; a session is a whole number"
    if column.endswith("_at"):
        lacks = "it lacks its offset from UTC: " if value and _NO_OFFSET.fullmatch(value) else ""
        return f"; {lacks}a time is written as 2031-03-10T14:00+01:00"
    return ""
