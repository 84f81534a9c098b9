"""Where the pressure falls still: minutes from which it moves no more after it moved."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import decimal, is_among, over_windows
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
    known = (
        grid.select(
            "row",
            "running",
            "span_no",
            "breaks",
            "moved_least_cmh2o",
            "absent_below_cmh2o",
            "quiet_floor_cmh2o",
            "range_cmh2o",
        )
        .filter("running")
        .with_columns(
            place=pl.struct("span_no", "breaks").rle_id(),
            k=pl.int_range(pl.len()),
            middle=pl.col("range_cmh2o").rolling_median(n, min_samples=n),
        )
        .with_columns(span_first_k=pl.col("k").first().over("span_no"))
    )
    # The readings just before, and those from this minute on, where all lie in its own unbroken stretch.
    before, after = (
        pl.when(pl.col("place").shift(reach) == pl.col("place")).then(pl.col("middle").shift(by))
        for reach, by in ((n, 1), (1 - n, 1 - n))
    )
    floor, still = pl.col("quiet_floor_cmh2o"), pl.col("absent_below_cmh2o")
    falls = known.with_columns(before=before, after=after).filter(
        pl.col("before") >= pl.col("moved_least_cmh2o"),
        pl.col("after") < still,
        pl.col("range_cmh2o") < still,
        decimal(pl.col("after") - floor) <= decimal(flow.swing_left * (pl.col("before") - floor)),
    )
    # What was usual is no date: a hole does not make a faded movement the usual one.
    look_back = falls.select(
        window="k",
        from_row=pl.max_horizontal(pl.col("k") - flow.look_back, "span_first_k"),
        to_row=pl.col("k") - 1,
    )
    read = pl.col("range_cmh2o")
    usual = over_windows(known, look_back, earlier=pl.when(read.count() >= n).then(read.median()))
    at_once = decimal(pl.col("before") - floor) >= decimal(flow.swing_kept * (pl.col("earlier") - floor))
    falls = falls.with_columns(usual["earlier"]).filter(at_once)
    return grid.with_columns(falls_still=is_among(falls["row"]))
