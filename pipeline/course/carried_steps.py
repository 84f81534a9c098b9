"""How far a device's clock has been moved by its steps so far, and not back again."""

from __future__ import annotations

import polars as pl

from pipeline.course.clock import SEQUENCE


def with_carried_steps(rows: pl.DataFrame) -> pl.DataFrame:
    """
    Add to each row how far the steps up to it have moved the device's clock in all.

    A clock that was stepped and never put right is in step with itself in every later use, and shows nothing
    there: only its earlier rows tell that it, or they, were wrong. Steps in both directions cancel out, for
    the second puts right what the first did. From a step of unknown size on, the sum is unknown.

    Parameters
    ----------
    rows
        From `date_rows`, in its order: `dev`, `counted`, `clock_step`, `clock_step_minutes`.

    Returns
    -------
    `rows` with `clock_carried_minutes` (negative: back; null: unknown).

    Examples
    --------
    >>> rows = pl.DataFrame({"dev": 0, "counted": True, "clock_step_minutes": [None, -45, None, 45]})
    >>> rows = rows.with_columns(clock_step=pl.col("clock_step_minutes").is_not_null())
    >>> with_carried_steps(rows)["clock_carried_minutes"].to_list()
    [0, -45, -45, 0]
    """
    moved = pl.col("clock_step_minutes")
    unsized = (pl.col("clock_step") & moved.is_null()).cum_max().over(SEQUENCE)
    return rows.with_columns(
        clock_carried_minutes=pl.when(~unsized).then(moved.fill_null(0).cum_sum().over(SEQUENCE))
    )
