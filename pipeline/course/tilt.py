"""Tilt: a fluid level read in a leaning canister is not a level."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import decimal
from pipeline.definitions import TiltRules


def tilt_clauses(rules: TiltRules) -> dict[str, pl.Expr]:
    """The clauses of a tilted minute, by name; null where the angle is blank."""
    return {"leans": pl.col("tilt_deg") > rules.limit}


def mark_tilt(grid: pl.DataFrame, rules: TiltRules) -> pl.DataFrame:
    """
    Add `tilted`, and `volume_trusted`: whether the minute's canister reading may be used.

    A reading is not trusted while the device leans by more than `limit` and for `after` minutes
    afterwards, until the fluid has settled; those minutes are not tilt. Exactly `limit` is upright.
    Where tilt is blank nothing says that the device leaned, so its reading stands unless known tilt
    lies within `after` minutes before: a site whose devices log no tilt still has fluid.
    """
    recently = pl.col("tilted").cast(pl.UInt8).rolling_max(rules.after + 1, min_samples=1).over("use_no") > 0
    return grid.with_columns(
        tilted=pl.all_horizontal(tilt_clauses(rules).values()).fill_null(False),
    ).with_columns(
        volume_trusted=pl.col("canister_volume_ml").is_not_null() & ~recently,
    )


def distrust_before_tilt(grid: pl.DataFrame, rules: TiltRules) -> pl.DataFrame:
    """
    The grid of `mark_tilt` without trust in readings of a device about to lean, or still being moved.

    A lean may have begun before it is tilt: a tilt follows such a minute within `run_up` minutes, and in it,
    or less than `run_up` minutes before, the angle rose by `begins_by` or more. A minute's angle is a mean
    over it, its reading the last one in it: the angle may still pass for upright when the level is wrong.
    And between two tilts at most `again_within` minutes apart the device is being carried or turned, and the
    fluid never settles. Only looking back can tell, so at the bedside `mark_tilt` stands alone.
    """
    rise = decimal(pl.col("tilt_deg") - pl.col("tilt_deg").shift(1).over("use_no"))
    rose = (rise >= rules.begins_by).fill_null(False).cast(pl.UInt8)
    begun = rose.rolling_max(rules.run_up, min_samples=1).over("use_no") > 0
    soon = pl.any_horizontal(
        pl.col("tilted").shift(-by).over("use_no").fill_null(False) for by in range(1, rules.run_up + 1)
    )
    leaning = pl.when("tilted").then("row")
    apart = leaning.backward_fill().over("use_no") - leaning.forward_fill().over("use_no")
    moved = (apart <= rules.again_within).fill_null(False)
    return grid.with_columns(volume_trusted=pl.col("volume_trusted") & ~(begun & soon) & ~moved)
