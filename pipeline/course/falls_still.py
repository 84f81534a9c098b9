"""Where the pressure falls still: minutes from which it moves no more after it moved."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import decimal
from pipeline.definitions import ClampRules, OcclusionRules


def mark_falls_still(grid: pl.DataFrame, clamp: ClampRules, flow: OcclusionRules) -> pl.DataFrame:
    """
    Add `falls_still`: running minutes at which the pressure, moving until then, falls still.

    Every minute has a greatest and a least pressure, also where traces are far apart or missing: they tell
    the minute of a stop, though not what it was that moved. The pressure falls still at a minute in which no
    swing that counts can hide, where the same holds of the median of `clamp.readings` running minutes from
    there on, the median of as many before shows movement as great as such a swing, and of what that was
    above the quiet floor at most `flow.swing_left` remains. What fades passes those limits little by little,
    or, where it fades within an hour, when most of it has gone: so before the fall at least
    `flow.swing_kept` of the movement of the `flow.look_back` running minutes before was there. None is told
    across a hole or a clock step.

    Parameters
    ----------
    grid
        Needs `row`, `running`, `span_no`, `breaks` and the columns of `mark_quiet_floor`.
    """
    n = clamp.readings
    known = grid.filter("running").select(
        "row",
        "moved_least_cmh2o",
        "absent_below_cmh2o",
        "quiet_floor_cmh2o",
        "range_cmh2o",
        "span_no",
        place=pl.struct("span_no", "breaks").rle_id(),
    )
    middle = pl.col("range_cmh2o").rolling_median(n, min_samples=n)
    before, after = (middle.shift(by).over("place") for by in (1, 1 - n))
    # What was usual is no date: a hole does not make a faded movement the usual one.
    earlier = pl.col("range_cmh2o").rolling_median(flow.look_back, min_samples=n).shift(1).over("span_no")
    floor, still = pl.col("quiet_floor_cmh2o"), pl.col("absent_below_cmh2o")
    falls = known.select(
        "row",
        falls_still=(before >= pl.col("moved_least_cmh2o"))
        & (after < still)
        & (pl.col("range_cmh2o") < still)
        & (decimal(after - floor) <= decimal(flow.swing_left * (before - floor)))
        & (decimal(before - floor) >= decimal(flow.swing_kept * (earlier - floor))),
    )
    return grid.join(falls, on="row", how="left", maintain_order="left").with_columns(
        pl.col("falls_still").fill_null(False)
    )
