"""The hourly series of an extract: what each hour since a drain's origin held."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.quantities import in_steps, in_units, steps_per_unit
from pipeline.definitions import Definitions
from schemas.extract import DRAIN_HOUR
from schemas.vocabulary import PeriodKind, State, Verdict


def drain_hours(
    minutes: pl.DataFrame, course: pl.DataFrame, drains: pl.DataFrame, definitions: Definitions
) -> pl.DataFrame:
    """
    Sum a drain's minutes into hours since its origin (DRAIN_HOUR).

    Hour 0 begins with the origin's minute, hours before it are negative; an hour without an observed minute
    has no row. Counts and means stand on known minutes, sums are of whole steps of the resolution.

    Parameters
    ----------
    minutes
        `drain_minutes` with the drain's output (`with_drain_output`).
    course
        COURSE of the uses: the pressures.
    drains
        `drain_id`, `origin_at`.
    """
    flow, volume = steps_per_unit(definitions.resolution.flow), steps_per_unit(definitions.resolution.volume)
    leak = pl.col("assessable") & pl.col("air_leak_ml_min").is_not_null()
    leaked = in_steps("air_leak_ml_min", flow).filter(leak)
    seen = pl.col("observed")
    told = seen & pl.col("state").is_not_null()
    present = pl.col("tidaling") == Verdict.PRESENT.value
    pressures = course.lazy().select("use_id", "minute", "set_pressure_cmh2o", "pressure_mean_cmh2o")
    hour = (pl.col("minute") - pl.col("origin_at").dt.truncate("1m")).dt.total_minutes().floordiv(60)
    made = (
        minutes.lazy()
        .join(pressures, on=["use_id", "minute"], how="left")
        .join(drains.lazy().select("drain_id", "origin_at"), on="drain_id")
        .with_columns(hour_no=hour)
        .group_by("drain_id", "hour_no")
        .agg(
            minutes_observed=seen.sum(),
            run_minutes=_counted(pl.col("state") == State.RUN.value, told),
            pause_minutes=_counted(pl.col("state") == State.PAUSE.value, told),
            leak_assessable_minutes=leak.sum(),
            leak_mean_ml_min=in_units(pl.when(leak.any()).then(leaked.sum()), flow * leaked.len()),
            leak_peak_ml_min=in_units(leaked.max(), flow),
            leak_minutes=_counted(pl.col("leak_on"), pl.col("known")),
            output_so_far_ml=in_units(pl.col("fluid").filter("volume_read").max(), volume),
            set_pressure_cmh2o=pl.col("set_pressure_cmh2o").filter(seen).median(),
            pressure_mean_cmh2o=pl.col("pressure_mean_cmh2o").filter(seen).median(),
            tidaling_present_minutes=_verdict(Verdict.PRESENT),
            tidaling_absent_minutes=_verdict(Verdict.ABSENT),
            tidaling_indeterminate_minutes=_verdict(Verdict.INDETERMINATE),
            swing_median_cmh2o=pl.col("swing_cmh2o").filter(present & seen).median(),
            tilted_minutes=_counted(pl.col(PeriodKind.TILTED.value), pl.col("tilt_known")),
        )
        .filter(pl.col("minutes_observed") > 0)
        .collect()
    )
    return DRAIN_HOUR.conform(made).sort(DRAIN_HOUR.key)


def _counted(what: pl.Expr, known: pl.Expr) -> pl.Expr:
    """How many of the known minutes; null where none is known."""
    return pl.when(known.any()).then((what & known).sum())


def _verdict(verdict: Verdict) -> pl.Expr:
    return _counted(pl.col("tidaling") == verdict.value, pl.col("tidaling_known"))
