"""Sorting by several whole-number columns at once."""

from __future__ import annotations

import polars as pl

_ROOM = 2**62


def in_order(frame: pl.DataFrame, *columns: str) -> pl.DataFrame:
    """
    Sort by columns of whole numbers (or booleans), blanks first.

    Where their ranges leave room the columns are packed into one number, which sorts several times
    faster than a row of columns. Ties are left in any order: name enough columns to break them all.

    Examples
    --------
    >>> in_order(pl.DataFrame({"a": [2, 1, 1], "b": [0, None, 7]}), "a", "b").rows()
    [(1, None), (1, 7), (2, 0)]
    """
    whole = frame.select(pl.col(columns).cast(pl.Int64))
    key, size = pl.lit(0, pl.Int64), 1
    for name in columns:
        low, high = whole[name].min(), whole[name].max()
        if low is None or high is None:
            continue
        assert isinstance(low, int)
        assert isinstance(high, int)
        width = high - low + 2
        size *= width
        if size >= _ROOM:
            return frame.sort(columns)
        key = key * width + (pl.col(name) - (low - 1)).fill_null(0)
    if size == 1:
        return frame
    packed = whole.select(key.alias("key")).to_series()
    return frame if packed.is_sorted() else frame[packed.arg_sort()]
