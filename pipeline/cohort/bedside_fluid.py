"""Fluid as the canister readings so far had it: no fit, no reading of later."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.cohort.quantities import steps_per_unit
from pipeline.course.canister import change_clauses
from pipeline.definitions import Definitions, FluidRules


def with_fluid_so_far(grid: pl.DataFrame, uses: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Add what each canister reading showed to have come since the one before it, as it was known then.

    The level is the median of the accepted readings (device upright) of the last `change_stays` minutes; the
    fluid in a canister is the greatest level so far, so a bump or a dip brings and takes nothing. A new
    canister is recognised as in the course (`change_clauses`), but only once its readings have stayed down
    for `change_stays` minutes; until then the fluid stands still, then what is in it counts.

    Parameters
    ----------
    grid
        In order of use and minute: `row`, `use_no`, `use_id`, `canister_volume_ml`, `volume_trusted`,
        `state`.
    uses
        `use_id`, `begins_with_check`.

    Returns
    -------
    The grid with `volume_read` (an accepted reading), `came` (steps of the volume resolution; null where
    nothing was read) and `fluid` (their sum since the use began, carried on; null before the first).
    """
    rules = definitions.fluid
    per_ml = steps_per_unit(definitions.resolution.volume)
    level = pl.col("volume_ml").rolling_median_by("row", window_size=f"{rules.change_stays}i", min_samples=1)
    readings = (
        grid.with_columns(beside_pause=_beside_pause(rules))
        .filter("volume_trusted")
        .select("row", "use_no", "use_id", "beside_pause", volume_ml="canister_volume_ml")
        .with_columns(level=level.over("use_no"))
    )
    seen = np.searchsorted(_seen_to_change(readings, rules), readings["row"].to_numpy(), side="right")
    started = uses.select("use_id", "begins_with_check")
    filled = (
        readings.with_columns(canister=pl.Series(seen))
        .join(started, on="use_id", how="left", maintain_order="left")
        .with_columns(steps=(pl.col("level") * per_ml).round().cast(pl.Int64))
        .with_columns(held=pl.col("steps").cum_max().over("use_no", "canister"))
        .with_columns(before=pl.col("held").shift(1).over("use_no", "canister"))
    )
    first = pl.col("canister") == pl.col("canister").first().over("use_no")
    empty = ~first | (
        pl.col("begins_with_check").fill_null(False) & (pl.col("volume_ml") <= rules.first_empty)
    )
    came = pl.col("held") - pl.coalesce("before", pl.when(empty).then(0).otherwise("held"))
    return (
        grid.join(
            filled.select("row", came=came, volume_read=pl.lit(True)),
            on="row",
            how="left",
            maintain_order="left",
        )
        .with_columns(pl.col("volume_read").fill_null(False))
        .with_columns(fluid=pl.col("came").cum_sum().forward_fill().over("use_no"))
    )


def _beside_pause(rules: FluidRules) -> pl.Expr:
    # Also minutes after the reading: a change is recognised later than these.
    paused = (pl.col("state") == "pause").fill_null(False).cast(pl.UInt8)
    return paused.rolling_max(2 * rules.change_beside + 1, min_samples=1, center=True).over("use_no") > 0


def _seen_to_change(readings: pl.DataFrame, rules: FluidRules) -> np.ndarray:
    """The rows, in order, of the readings with which a new canister is recognised."""
    stays, volume = rules.change_stays, pl.col("volume_ml")
    falls = (
        readings.with_columns(
            level_before_ml=pl.col("level").shift(1).over("use_no"),
            unread_minutes=pl.col("row") - pl.col("row").shift(1).over("use_no") - 1,
        )
        .with_columns(low=pl.max_horizontal(change_clauses(rules).values()))
        .filter(volume <= pl.col("low"))
        .with_columns(
            # Emptied beside a pause a canister may soon be fuller, but not as full as the one before.
            stays_below=pl.when(pl.col("beside_pause") & (pl.col("low") <= rules.change_empty))
            .then(pl.col("level_before_ml") - rules.change_pause)
            .otherwise("low"),
            due=pl.col("row") + stays,
        )
    )
    later = readings.select(later_row="row", later_use="use_no", later_ml="volume_ml")
    confirmed = (
        falls.join_asof(
            later, left_on="due", right_on="later_row", strategy="forward", check_sortedness=False
        )
        .filter((pl.col("later_use") == pl.col("use_no")) & (pl.col("later_ml") <= pl.col("stays_below")))
        .select("row", "use_no", "stays_below", "later_row", others=pl.int_ranges("row", "due"))
        .explode("others")
        .join(
            readings.select(others="row", other_ml="volume_ml"),
            on="others",
            how="inner",
            maintain_order="left",
        )
        .group_by("row", maintain_order=True)
        .agg(pl.col("use_no", "stays_below", "later_row").first(), level_after=pl.col("other_ml").median())
        .filter(pl.col("level_after") <= pl.col("stays_below"))
        .sort("row")
        # The readings in the minutes just after a change still have the old canister before them.
        .filter((pl.col("row").diff().over("use_no") >= stays).fill_null(True))
    )
    return confirmed["later_row"].to_numpy()
