"""The minutes of a drain: the course of the uses that served it, cut to the stretches it holds."""

from __future__ import annotations

import polars as pl

from schemas.vocabulary import AnnotationKind, PeriodKind, State, Verdict

# Flags that a drain's sums or a removal rule look at, as columns of their own.
_FLAGS = (
    PeriodKind.TILTED,
    PeriodKind.SUCTION_SHORTFALL,
    PeriodKind.LINE_OPEN,
    PeriodKind.OCCLUSION_SUSPECTED,
    PeriodKind.CLAMPED,
    PeriodKind.FLOW_STOPPED,
)
# Flags that rest on a note where the log contradicts it are no minutes of that kind.
_NOTED = {
    PeriodKind.OCCLUSION_SUSPECTED: AnnotationKind.CONFIRMED_OCCLUSION,
    PeriodKind.CLAMPED: AnnotationKind.CLAMP_TRIAL,
}
STRETCH = ["drain_id", "use_id", "from_at"]


def drain_minutes(drain_use: pl.DataFrame, course: pl.DataFrame) -> pl.DataFrame:
    """
    One row a minute and drain, in time order.

    Parameters
    ----------
    drain_use
        `drain_id`, `use_id`, `from_at`, `until_at`; stretches of one drain do not overlap.
    course
        COURSE of whole uses; rows outside the stretches are left out.

    Returns
    -------
    `drain_id`, `use_id`, `from_at` (of the stretch), `minute`, the course's readings and verdicts, each
    flag as a boolean named after its kind (without the minutes in which the log contradicts the note it rests
    on), `annotations` and `against_log`, `known` (the minute counts for the lung's leak and says
    whether it is on) and what is known of each input: `tilt_known`, `suction_known`, `line_known`,
    `tidaling_known`, `alerts_known`.
    """
    running = pl.col("state") == State.RUN.value
    pressures = pl.col("pressure_mean_cmh2o").is_not_null() & pl.col("set_pressure_cmh2o").is_not_null()
    observed = pl.col("observed")
    return (
        course.lazy()
        .select(
            "use_id",
            "minute",
            "utc_offset_minutes",
            "observed",
            "state",
            "air_leak_ml_min",
            "leak_median_ml_min",
            "leak_least_ml_min",
            "mains",
            "canister_no",
            "output_ml",
            "volume_read",
            "tidaling",
            "tidaling_basis",
            "swing_cmh2o",
            "breath_rate_per_min",
            "assessable",
            "annotations",
            "against_log",
            *(_in_force(kind).alias(kind.value) for kind in _FLAGS),
            leak_on=pl.col("leak_on") & pl.col("assessable"),
            known=pl.col("assessable") & pl.col("leak_on").is_not_null(),
            tilt_known=observed & pl.col("tilt_deg").is_not_null(),
            suction_known=observed & running & pressures,
            line_known=observed
            & ((pl.col("air_leak_ml_min").is_not_null() & pressures) | pl.col("alerts").is_not_null()),
            tidaling_known=observed & (pl.col("tidaling") != Verdict.NOT_ASSESSABLE.value),
            alerts_known=observed & pl.col("alerts").is_not_null(),
        )
        .join(drain_use.lazy().select(*STRETCH, "until_at"), on="use_id")
        .filter((pl.col("from_at") <= pl.col("minute")) & (pl.col("minute") < pl.col("until_at")))
        .drop("until_at")
        .sort("drain_id", "minute")
        .collect()
    )


def _in_force(kind: PeriodKind) -> pl.Expr:
    flagged = pl.col("flags").list.contains(kind.value)
    if kind not in _NOTED:
        return flagged
    return flagged & ~pl.col("against_log").list.contains(_NOTED[kind].value)
