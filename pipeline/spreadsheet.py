"""Text that a spreadsheet would run: what it looks like, and how it is made harmless in a CSV file."""

from __future__ import annotations

import json

import polars as pl

# A cell that begins so is run as a formula by one spreadsheet or another; the wide forms by those of East
# Asian settings. A tab or a line's end before it does not stop them.
FORMULA = "^[\\t\\r\\n]|^[=+\\-@\uff1d\uff0b\uff0d\uff20]"

_INSTANT = "%Y-%m-%dT%H:%M:%S%.f"


def harmless_csv(frame: pl.DataFrame) -> str:
    r"""
    Rows as CSV that a spreadsheet can open: before a text that it would run as a formula goes an apostrophe.

    Numbers stay numbers, a negative one among them; only texts are touched, and names of columns. Null is an
    empty cell, yes and no are `true` and `false`, dates and times ISO 8601 (UTC with `Z`), lengths of time
    ISO 8601 durations, lists joined by `;`, structures JSON.

    Examples
    --------
    >>> harmless_csv(pl.DataFrame({"ward": ["=1+1", "A, B", None], "n": [-5, 2, 3]}))
    'ward,n\n\'=1+1,-5\n"A, B",2\n,3\n'
    """
    # The names are a row of texts like any other: two of them made harmless may be the same.
    names = pl.DataFrame([frame.columns], orient="row", schema=[f"c{i}" for i in range(frame.width)])
    header = names.select(_safe(pl.col(c)).alias(c) for c in names.columns).write_csv(
        include_header=False, line_terminator="\n"
    )
    cells = frame.select(_flat(frame[name]).alias(name) for name in frame.columns)
    return header + cells.write_csv(include_header=False, line_terminator="\n")


def _flat(cells: pl.Series) -> pl.Expr:
    """The column as something CSV can hold, texts made harmless."""
    column, dtype = pl.col(cells.name), cells.dtype
    if isinstance(dtype, pl.Datetime):
        utc = column if dtype.time_zone is None else column.dt.convert_time_zone("UTC")
        return utc.dt.strftime(_INSTANT + ("" if dtype.time_zone is None else "Z"))
    if isinstance(dtype, pl.Duration):
        return column.dt.to_string("iso")
    if isinstance(dtype, pl.Binary):
        return column.bin.encode("hex")
    if isinstance(dtype, pl.List) and not dtype.inner.is_nested():
        return _safe(column.list.eval(pl.element().cast(pl.String)).list.join(";", ignore_nulls=True))
    if dtype.is_nested():
        written = [None if cell is None else json.dumps(cell, default=str) for cell in cells.to_list()]
        return _safe(pl.lit(pl.Series(cells.name, written, dtype=pl.String)))
    if isinstance(dtype, pl.String | pl.Categorical | pl.Enum):
        return _safe(column.cast(pl.String))
    return column


def _safe(texts: pl.Expr) -> pl.Expr:
    return pl.when(texts.str.contains(FORMULA)).then(pl.lit("'") + texts).otherwise(texts)
