"""Breathing from the minutes' least and greatest pressure alone, where there is no trace."""

from __future__ import annotations

import polars as pl

from pipeline.course.quiet_floor import mark_quiet_floor
from pipeline.course.ranked import Toward, trailing_quantiles
from pipeline.definitions import Definitions, EnvelopeRules
from schemas.vocabulary import Verdict

_FIGURES = ("low_cmh2o", "high_cmh2o", "leak_ml_min", "carried")


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
        In order of (`use_id`, `minute`), dense: `use_id`, `span`, `state`, `running`, `tilted`, `tilt_deg`,
        `pressure_min_cmh2o`, `pressure_max_cmh2o`, `air_leak_ml_min`, `alerts`.
    definitions
        Takes `[envelope]`, `[trace]` (least swing) and `[leak]` (when a leak is on).

    Returns
    -------
    The grid with the columns of `mark_quiet_floor`, `envelope_verdict` (null: none), and the figures of
    the window around the minute: `envelope_low_cmh2o`, `envelope_high_cmh2o`, `envelope_leak_ml_min`,
    `envelope_carried` (minutes in which the drain was moved; null where the tilt is not read), and
    `envelope_present_minutes` (minutes of such movement since the last absent minute, until the next).
    """
    rules = definitions.envelope
    known = (
        mark_quiet_floor(grid, definitions)
        .with_columns(
            _place=pl.struct("use_id", "span").rle_id().set_sorted(),
            _row=pl.int_range(pl.len()),
            _range=pl.when(pl.col("running")).then("range_cmh2o"),
            _leak=pl.when(pl.col("running")).then("air_leak_ml_min"),
        )
        .with_columns(
            _moved=(pl.col("tilt_deg").diff().over("_place").abs() > rules.carried_tilt).cast(pl.Int32)
        )
    )
    moves, no_leak, not_carried = envelope_present_clauses(definitions, "_up_to").values()
    present = moves & no_leak & not_carried
    last_of_place = pl.col("_place") != pl.col("_place").shift(-1)
    up_to = (
        known.hstack(_quantiles(known, rules))
        .with_columns(
            _last=pl.when(last_of_place.fill_null(True)).then("_row").backward_fill(),
            _up_to_carried=pl.col("_moved")
            .rolling_sum(rules.window, min_samples=rules.least_minutes)
            .over("_place"),
        )
        .with_columns(
            # The window that reaches half, or all but one, of its minutes beyond this; at the end, the last.
            _around=pl.min_horizontal(pl.col("_row") + rules.window // 2, "_last"),
            _from=pl.min_horizontal(pl.col("_row") + rules.window - 1, "_last"),
            _known=pl.col("_up_to_low_cmh2o").is_not_null(),
            _present=present.fill_null(False),
            _may_be=present.is_null() & (moves & no_leak).fill_null(False),
            _absent=pl.all_horizontal(envelope_absent_clauses("_up_to").values()).fill_null(False),
            _quiet=(pl.col("_range") <= pl.col("still_most_cmh2o")).fill_null(False),
        )
    )
    told = up_to.with_columns(
        *(pl.col(f"_up_to_{name}").gather("_around").alias(f"envelope_{name}") for name in _FIGURES),
        *(_some(name).alias(name) for name in ("_known", "_present", "_may_be", "_absent")),
        _quiet_run=pl.len().over(pl.struct("_place", "_quiet").rle_id().set_sorted()),
    )
    stopped = pl.col("_quiet") & (pl.col("_quiet_run") >= rules.still_run)
    could_swing = pl.col("_range") >= pl.col("absent_below_cmh2o")
    present, absent = pl.col("_present") | pl.col("_may_be"), pl.col("_absent")
    verdict = (
        pl.when(pl.col("_range").is_null() | ~pl.col("_known"))
        .then(None)
        .when(stopped)
        .then(pl.lit(Verdict.ABSENT.value))
        .when(present & (~absent | could_swing))
        .then(pl.lit(Verdict.PRESENT.value))
        .when(absent & (~present | ~could_swing))
        .then(pl.lit(Verdict.ABSENT.value))
        .otherwise(pl.lit(Verdict.INDETERMINATE.value))
    )
    # Stretches that no absent minute parts: such a minute begins the next one.
    stretch = pl.struct("_place", (pl.col("envelope_verdict") == Verdict.ABSENT).fill_null(False).cum_sum())
    told = told.with_columns(envelope_verdict=verdict).with_columns(
        _since_absent=stretch.rle_id().set_sorted()
    )
    breathing = pl.col("envelope_verdict") == Verdict.PRESENT
    told = told.with_columns(envelope_present_minutes=breathing.sum().over("_since_absent").cast(pl.Int64))
    may_be_a_walk = ~pl.col("_present") & (pl.col("envelope_present_minutes") < rules.carried_most)
    return told.with_columns(
        envelope_verdict=pl.when(breathing & may_be_a_walk)
        .then(pl.lit(Verdict.INDETERMINATE.value))
        .otherwise("envelope_verdict")
    ).select(pl.exclude("^_.*$"))


def envelope_present_clauses(definitions: Definitions, window: str = "envelope") -> dict[str, pl.Expr]:
    """What a window must meet to show breathing, by name; null where unknown."""
    return {
        "moves": pl.col(f"{window}_low_cmh2o") >= pl.col("moved_least_cmh2o"),
        "no_leak": pl.col(f"{window}_leak_ml_min") <= definitions.leak.on_above,
        "not_carried": pl.col(f"{window}_carried") < definitions.envelope.carried,
    }


def envelope_absent_clauses(window: str = "envelope") -> dict[str, pl.Expr]:
    """What a window must meet to show that breathing is absent, by name; null where unknown."""
    return {"still": pl.col(f"{window}_high_cmh2o") < pl.col("absent_below_cmh2o")}


def _quantiles(known: pl.DataFrame, rules: EnvelopeRules) -> list[pl.Series]:
    """The figures of the window up to each minute: quantiles of its known minutes, each one of the values."""
    ranges: dict[str, tuple[float, Toward]] = {
        "_up_to_low_cmh2o": (rules.low_quantile, "lower"),
        "_up_to_high_cmh2o": (rules.high_quantile, "higher"),
    }
    leaks: dict[str, tuple[float, Toward]] = {"_up_to_leak_ml_min": (0.5, "higher")}
    return [
        quantile
        for column, wanted in (("_range", ranges), ("_leak", leaks))
        for quantile in trailing_quantiles(
            known[column], known["_place"], rules.window, rules.least_minutes, wanted
        )
    ]


def _some(column: str) -> pl.Expr:
    """Whether the window before, around or after a minute shows it."""
    return pl.any_horizontal(column, pl.col(column).gather("_around"), pl.col(column).gather("_from"))
