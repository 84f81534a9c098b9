"""Rejected rows and cells in lines for people: runs of alike ones joined, some rules explained."""

from __future__ import annotations

import re
from typing import Any

import polars as pl

from pipeline.ingest.rules import Rule

_ALIKE = ("scope", "column", "rule", "value")
_KIND = ("scope", "column", "rule")
_APART = 5  # runs of one column and rule with values of their own that are shown each
_VALUES = 3  # of them that a joined line shows
_FATES = {"row": ("row rejected", "rows rejected"), "cell": ("cell made null", "cells made null")}
_NO_OFFSET = re.compile(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}(:\d{2})?(\.\d+)?")


def broken_lines(rejected: pl.DataFrame, *, joined: bool = True) -> list[str]:
    """
    One line for each run of rejected rows or cells that differ only in their line, by their first lines.

    Parameters
    ----------
    rejected
        Of one file: `line`, `scope`, `column`, `rule`, `value`.
    joined
        Whether many of one column and rule are told together though their values differ: four hundred rows
        that one clock spoiled are one thing to mend.

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
    many = pl.len().over(_KIND) > _APART if joined else pl.lit(False)
    marked = runs.with_columns(many=many & (pl.col("scope") != "file"))
    told = [(run["first"], _said(run)) for run in marked.filter(~pl.col("many")).iter_rows(named=True)]
    together = marked.filter("many").group_by(*_KIND, maintain_order=True)
    for (scope, column, rule), alike in together:
        first, last = alike["first"].min(), alike["last"].max()
        values = alike["value"].drop_nulls().unique(maintain_order=True)
        run = {"scope": scope, "column": column, "rule": rule, "first": first, "last": last}
        told.append((first, _said(run | {"rows": alike["rows"].sum(), "value": None}, values)))
    # What is said of a whole file stands on no line, and first.
    return [line for _, line in sorted(told, key=lambda pair: -1 if pair[0] is None else pair[0])]


def _said(run: dict[str, Any], values: pl.Series | None = None) -> str:
    what = f"{run['column']} " if run["column"] else ""
    value = f": {run['value']!r}" if run["value"] is not None else ""
    if values is not None and len(values):
        more = f" and {len(values) - _VALUES} other values" if len(values) > _VALUES else ""
        value = f": {', '.join(map(repr, values[:_VALUES]))}{more}"
    if run["scope"] == "file":
        return _of_file(run["column"], run["rule"], value)
    joined = run["rows"] > 1
    place = (
        f"lines {run['first']} to {run['last']} ({run['rows']} rows)" if joined else f"line {run['first']}"
    )
    hint = _hint(run["column"], run["rule"], run["value"] if values is None else next(iter(values), None))
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
