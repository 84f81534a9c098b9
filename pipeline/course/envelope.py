"""Breathing from the minutes' least and greatest pressure alone, where there is no trace."""

from __future__ import annotations

from typing import Literal

import polars as pl

from pipeline.definitions import Definitions, EnvelopeRules
from schemas.vocabulary import State, Verdict


def envelope_of(grid: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Judge each running minute by the max − min of the minutes around it.

    One cough makes a whole minute look like breathing, so a minute is judged over a window around it
    (within its use and span), by running minutes only:

    - `present`: even a low quantile of the ranges exceeds the quiet floor by the least swing, no leak is on,
      and the drain is not being carried (`carried` tilted minutes in the window). While a leak is on the
      pump ripples, and a leak nobody read may be on; walking moves the pressure as breathing does:
      `indeterminate`.
    - `absent`: even a high quantile of the ranges, which no swing in those minutes exceeds, is below the
      least swing, or, on a device whose own floor is higher than that, within `own_margin` of it.
    - Otherwise `indeterminate`; with too few known minutes in the window, no verdict.

    The quiet floor is the range of the pressure that the device shows when nothing breathes: the
    median of the use's stable self-check minutes, where it has enough of them; else the default.

    Parameters
    ----------
    grid
        In order of (`use_id`, `minute`), dense: `use_id`, `span`, `state`, `running`, `tilted`,
        `pressure_min_cmh2o`, `pressure_max_cmh2o`, `air_leak_ml_min`, `alerts`.
    definitions
        Takes `[envelope]`, `[trace]` (least swing) and `[leak]` (when a leak is on).

    Returns
    -------
    The grid with `envelope_verdict` (null: none) and `quiet_floor_cmh2o`.
    """
    rules, least = definitions.envelope, definitions.trace.least_swing
    known = grid.with_columns(
        _range=pl.when(pl.col("running")).then(pl.col("pressure_max_cmh2o") - pl.col("pressure_min_cmh2o")),
        _leak=pl.when(pl.col("running")).then(pl.col("air_leak_ml_min")),
    ).join(_floors(grid, rules), on="use_id", how="left", maintain_order="left")
    low = _around(pl.col("_range"), rules.low_quantile, "lower", rules)
    high = _around(pl.col("_range"), rules.high_quantile, "higher", rules)
    leak = _around(pl.col("_leak"), 0.5, "higher", rules)
    floor = pl.col("_own_floor").fill_null(rules.floor)
    judged = known.with_columns(_low=low, _high=high, _leak_around=leak, quiet_floor_cmh2o=floor)
    no_leak = (pl.col("_leak_around") <= definitions.leak.on_above).fill_null(False)
    tilts = pl.col("tilted").fill_null(False).cast(pl.Int32)
    around = tilts.rolling_sum(rules.window, min_samples=1, center=True).over("use_id", "span")
    carried = around >= rules.carried
    quiet_below = pl.max_horizontal(pl.lit(least), pl.col("_own_floor") + rules.own_margin)
    verdict = (
        pl.when(pl.col("_range").is_null() | pl.col("_low").is_null())
        .then(None)
        .when(_at_least(pl.col("_low"), pl.col("quiet_floor_cmh2o") + least) & no_leak & ~carried)
        .then(pl.lit(Verdict.PRESENT.value))
        .when(~_at_least(pl.col("_high"), quiet_below))
        .then(pl.lit(Verdict.ABSENT.value))
        .otherwise(pl.lit(Verdict.INDETERMINATE.value))
    )
    return judged.with_columns(envelope_verdict=verdict).select(
        *grid.columns, "envelope_verdict", "quiet_floor_cmh2o"
    )


def _around(
    values: pl.Expr, share: float, toward: Literal["lower", "higher"], rules: EnvelopeRules
) -> pl.Expr:
    """A quantile (one of the values) of the known minutes around each minute, if there are enough."""
    return values.rolling_quantile(
        share,
        interpolation=toward,
        window_size=rules.window,
        min_samples=rules.least_minutes,
        center=True,
    ).over("use_id", "span")


def _at_least(value: pl.Expr, limit: pl.Expr) -> pl.Expr:
    """Compared in hundredths: pressures are read to that, and 0.8 may be 0.79999 after a subtraction."""
    return (value * 100).round() >= (limit * 100).round()


def _floors(grid: pl.DataFrame, rules: EnvelopeRules) -> pl.DataFrame:
    """
    `use_id`, `_own_floor`: of the uses with enough stable self-check minutes.

    Stable: upright, nothing ringing, and the pressure hardly moves. The minutes in which the device
    draws its test pressure are not.
    """
    spread = pl.col("pressure_max_cmh2o") - pl.col("pressure_min_cmh2o")
    return (
        grid.lazy()
        .filter(
            (pl.col("state") == State.CHECK.value).fill_null(False),
            ~pl.col("tilted").fill_null(True),
            pl.col("alerts").list.len().fill_null(0) == 0,
            (spread <= rules.floor_stable).fill_null(False),
        )
        .group_by("use_id")
        .agg(_own_floor=spread.median().round(2), _minutes=pl.len())
        .filter(pl.col("_minutes") >= rules.floor_minutes)
        .select("use_id", "_own_floor")
        .sort("use_id")
        .collect()
    )
