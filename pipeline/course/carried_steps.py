"""How far a device's clock has been set back by its steps so far."""

from __future__ import annotations

import polars as pl

from pipeline.course.clock import SEQUENCE


def with_carried_steps(rows: pl.DataFrame) -> pl.DataFrame:
    """
    Add to each row how far the steps up to it have set the device's clock back in all.

    A clock that was set back and never put right is in step with itself in every later use, and shows nothing
    there: only its earlier rows tell that it, or they, were wrong. A leap is not carried on, and puts nothing
    right: it may be a device that was off, and mostly is, and each would put all later patients of the device
    in doubt. From a step back of unknown size on, the sum is unknown.

    Parameters
    ----------
    rows
        From `date_rows`, in its order: `dev`, `clock_step`, `clock_step_minutes`.

    Returns
    -------
    `rows` with `clock_carried_minutes` (0 or negative; null: unknown).

    Examples
    --------
    >>> rows = pl.DataFrame({"dev": 0, "clock_step_minutes": [None, -45, None, 45]})
    >>> rows = rows.with_columns(clock_step=pl.col("clock_step_minutes").is_not_null())
    >>> with_carried_steps(rows)["clock_carried_minutes"].to_list()
    [0, -45, -45, -45]
    """
    moved = pl.col("clock_step_minutes")
    unsized = (pl.col("clock_step") & moved.is_null()).cum_max().over(SEQUENCE)
    return rows.with_columns(
        clock_carried_minutes=pl.when(~unsized).then(
            moved.clip(upper_bound=0).fill_null(0).cum_sum().over(SEQUENCE)
        )
    )
