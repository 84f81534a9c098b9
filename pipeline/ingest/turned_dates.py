"""Day and month the wrong way round: every rule of form passes, and the leaps of a clock tell."""

from __future__ import annotations

import polars as pl

_FEW_ROWS = 5  # fewer show nothing


def turned_dates(clock: pl.Series) -> str | None:
    """
    A doubt where a log leaps from month to month, and goes on from day to day with both the other way.

    Parameters
    ----------
    clock
        Its minutes as they were read, in the order of its lines.

    Examples
    --------
    >>> from datetime import datetime
    >>> months = pl.Series([datetime(2031, 2 + n // 4, 4, 6 * (n % 4)) for n in range(12)])
    >>> turned_dates(months)
    'it leaps by more than a day 2 times, and 0 times were 2031-02-04 to be read as 2031-04-02: see the order
    of day and month in [clock] format'
    """
    read = clock.drop_nulls().to_frame("clock")
    if read.height < _FEW_ROWS or read.select((pl.col("clock").dt.day() > 12).any()).item():
        return None
    turned = pl.datetime(
        pl.col("clock").dt.year(),
        pl.col("clock").dt.day(),
        pl.col("clock").dt.month(),
        pl.col("clock").dt.hour(),
        pl.col("clock").dt.minute(),
    )
    far = pl.duration(days=1)
    leaps, leaps_turned = read.select(
        leaps=(pl.col("clock").diff().abs() > far).sum(), turned=(turned.diff().abs() > far).sum()
    ).row(0)
    if leaps_turned >= leaps:
        return None
    first = read["clock"][0]
    return (
        f"it leaps by more than a day {leaps} times, and {leaps_turned} times were {first:%Y-%m-%d} "
        f"to be read as {first:%Y-%d-%m}: see the order of day and month in [clock] format"
    )
