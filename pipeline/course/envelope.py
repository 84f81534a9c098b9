"""Breathing from the minutes' least and greatest pressure alone, where there is no trace."""

from __future__ import annotations

from typing import Literal

import polars as pl

from pipeline.course.quiet_floor import mark_quiet_floor
from pipeline.definitions import Definitions, EnvelopeRules
from schemas.vocabulary import Verdict

_PLACE = ("use_id", "span")


def envelope_of(grid: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Judge each running minute by the max − min of the minutes around it.

    One cough makes a whole minute look like breathing, so no minute is judged alone but by windows of
    running minutes that it lies in (within its use and span): the one before it, the one around it and
    the one after it, so that a sharp edge is blurred by none of them. A window shows

    - `present`, if even a low quantile of its ranges is one from which on a swing that counts may be
      in it, no leak is on, and the drain is not being carried (fewer than `carried` tilted minutes).
      While a leak is on the pump ripples, and a leak nobody read may be on; walking moves the pressure
      as breathing does: `indeterminate`.
    - `absent`, if even a high quantile of its ranges, which no swing in those minutes exceeds, is below
      the least swing (on a device whose own floor is higher than that, within `own_margin` of it).

    The minute takes what its windows show; where one shows breathing and another its absence, the edge
    lies between, and the minute's own range says on which side it is. A stop too short for a window
    shows all the same: a minute among at least `still_run` running ones whose ranges are all at the
    quiet floor is `absent`, for nothing hides in them. Otherwise `indeterminate`; with too few known
    minutes in every window, no verdict. Never a rate.

    Parameters
    ----------
    grid
        In order of (`use_id`, `minute`), dense: `use_id`, `span`, `state`, `running`, `tilted`,
        `pressure_min_cmh2o`, `pressure_max_cmh2o`, `air_leak_ml_min`, `alerts`.
    definitions
        Takes `[envelope]`, `[trace]` (least swing) and `[leak]` (when a leak is on).

    Returns
    -------
    The grid with the columns of `mark_quiet_floor`, `envelope_verdict` (null: none), and the figures of
    the window around the minute: `envelope_low_cmh2o`, `envelope_high_cmh2o`, `envelope_leak_ml_min`,
    `envelope_carried` (tilted minutes).
    """
    rules = definitions.envelope
    known = mark_quiet_floor(grid, definitions).with_columns(
        _range=pl.when(pl.col("running")).then("range_cmh2o"),
        _leak=pl.when(pl.col("running")).then("air_leak_ml_min"),
        _tilts=pl.col("tilted").fill_null(False).cast(pl.Int32),
    )
    low, high = pl.col("_low"), pl.col("_high")
    shows = known.with_columns(
        _low=_quantile("_range", rules.low_quantile, "lower", rules),
        _high=_quantile("_range", rules.high_quantile, "higher", rules),
        _leaks=_quantile("_leak", 0.5, "higher", rules),
        _carried=pl.col("_tilts").rolling_sum(rules.window, min_samples=1).over(_PLACE),
    ).with_columns(
        _present=(low >= pl.col("moved_least_cmh2o"))
        & (pl.col("_leaks") <= definitions.leak.on_above).fill_null(False)
        & (pl.col("_carried") < rules.carried),
        _absent=high < pl.col("absent_below_cmh2o"),
        _known=low.is_not_null(),
    )
    around = {
        "envelope_low_cmh2o": "_low",
        "envelope_high_cmh2o": "_high",
        "envelope_leak_ml_min": "_leaks",
        "envelope_carried": "_carried",
    }
    windows = shows.with_columns(
        *(_ahead(column, rules.window // 2).alias(name) for name, column in around.items()),
        _told=_some("_known", rules),
        _says_present=_some("_present", rules),
        _says_absent=_some("_absent", rules),
        _quiet_run=_run_of(pl.col("_range") <= pl.col("still_most_cmh2o")),
    )
    moved = pl.col("_range") >= pl.col("absent_below_cmh2o")
    present, absent = pl.col("_says_present"), pl.col("_says_absent")
    verdict = (
        pl.when(pl.col("_range").is_null() | ~pl.col("_told"))
        .then(None)
        .when(pl.col("_quiet_run") >= rules.still_run)
        .then(pl.lit(Verdict.ABSENT.value))
        .when(present & (~absent | moved))
        .then(pl.lit(Verdict.PRESENT.value))
        .when(absent & (~present | ~moved))
        .then(pl.lit(Verdict.ABSENT.value))
        .otherwise(pl.lit(Verdict.INDETERMINATE.value))
    )
    return windows.with_columns(envelope_verdict=verdict).select(
        pl.exclude("^_.*$"),
    )


def _quantile(column: str, share: float, toward: Literal["lower", "higher"], rules: EnvelopeRules) -> pl.Expr:
    """A quantile (one of the values) of the known minutes of the window up to each minute."""
    return (
        pl.col(column)
        .rolling_quantile(
            share, interpolation=toward, window_size=rules.window, min_samples=rules.least_minutes
        )
        .over(_PLACE)
    )


def _ahead(column: str, minutes: int) -> pl.Expr:
    """What the window that reaches so many minutes beyond this one shows; at the end, the last one."""
    place = pl.int_range(pl.len()).over(_PLACE)
    beyond = place + minutes >= pl.len().over(_PLACE)
    last = pl.col(column).last().over(_PLACE)
    return pl.when(beyond).then(last).otherwise(pl.col(column).shift(-minutes).over(_PLACE))


def _some(column: str, rules: EnvelopeRules) -> pl.Expr:
    """Whether the window before, around or after a minute shows it."""
    ahead = (0, rules.window // 2, rules.window - 1)
    return pl.any_horizontal(_ahead(column, minutes).fill_null(False) for minutes in ahead)


def _run_of(condition: pl.Expr) -> pl.Expr:
    """Length of the unbroken run of minutes like this one."""
    return pl.when(condition.fill_null(False)).then(
        pl.len().over(pl.struct(*_PLACE, condition.fill_null(False)).rle_id())
    )
