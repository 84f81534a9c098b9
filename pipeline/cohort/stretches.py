"""What happened over stretches of a drain: periods, alerts and canisters, cut to the minutes it holds."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.holding import whole_minute
from pipeline.cohort.minutes import STRETCH
from pipeline.cohort.quantities import in_steps, in_units, steps_per_unit
from pipeline.definitions import ResolutionRules
from schemas.vocabulary import PeriodKind

_MINUTE = pl.duration(minutes=1)
_OWN = (PeriodKind.LEAK.value, PeriodKind.NO_DATA.value)  # made for the drain, not taken from its uses
_PERIOD = ["drain_id", "kind", "started_at", "ended_at", "grade", "detail"]


def drain_periods(
    drain_use: pl.DataFrame,
    periods: pl.DataFrame,
    leaks: pl.DataFrame,
    minutes: pl.DataFrame,
    drains: pl.DataFrame,
) -> pl.DataFrame:
    """
    The periods of a drain (PERIOD).

    Its uses' periods, clipped to the stretches it holds; its own leaks, blips marked as such in `detail`;
    and `no_data`: every minute the drain should have and has not, from tube in (else the first minute)
    to tube out (else the last), between uses as well.

    Parameters
    ----------
    periods
        USE_PERIOD.
    drains
        `drain_id`, `tube_in_at`, `tube_out_at`; one row a drain.
    """
    clipped = (
        periods.filter(~pl.col("kind").is_in(_OWN))
        .join(drain_use.select(*STRETCH, "until_at"), on="use_id")
        .with_columns(
            started_at=pl.max_horizontal("started_at", "from_at"),
            ended_at=pl.min_horizontal("ended_at", "until_at"),
        )
        .filter(pl.col("started_at") < pl.col("ended_at"))
        .select(_PERIOD)
    )
    on = pl.format("leak on for {} of its minutes", "minutes_on")
    own_leaks = leaks.select(
        "drain_id",
        "started_at",
        "ended_at",
        kind=pl.lit(PeriodKind.LEAK.value),
        grade=pl.lit(None, dtype=pl.String),
        detail=pl.when("blip").then(pl.concat_str([on, pl.lit("; a blip, not counted")])).otherwise(on),
    ).select(_PERIOD)
    holes = _holes(minutes, drains).select(
        "drain_id",
        "started_at",
        "ended_at",
        kind=pl.lit(PeriodKind.NO_DATA.value),
        grade=pl.lit(None, dtype=pl.String),
        detail=pl.lit(None, dtype=pl.String),
    )
    return (
        pl.concat([clipped, own_leaks, holes.select(_PERIOD)])
        .sort(*_PERIOD, nulls_last=True)
        .unique(["drain_id", "kind", "started_at"], keep="last", maintain_order=True)
        .with_columns(minutes=(pl.col("ended_at") - pl.col("started_at")).dt.total_minutes())
    )


def drain_alerts(drain_use: pl.DataFrame, alerts: pl.DataFrame) -> pl.DataFrame:
    """
    The alerts of a drain (ALERT): its uses', clipped to the stretches it holds.

    An alert that still rang when the drain gave the device up was not cleared in its time.
    """
    length = (pl.col("ended_at") - pl.col("started_at")).dt.total_minutes()
    cut = pl.col("use_ended_at") > pl.col("until_at")
    late = pl.col("use_started_at") < pl.col("from_at")
    return (
        alerts.rename({"started_at": "use_started_at", "ended_at": "use_ended_at"})
        .join(drain_use.select(*STRETCH, "until_at"), on="use_id")
        .with_columns(
            started_at=pl.max_horizontal("use_started_at", "from_at"),
            ended_at=pl.min_horizontal("use_ended_at", "until_at"),
        )
        .filter(pl.col("started_at") < pl.col("ended_at"))
        .with_columns(
            minutes=pl.min_horizontal("minutes", length),
            minutes_to_clear=pl.when(cut | pl.col("minutes_to_clear").is_null())
            .then(None)
            .when(late)
            .then(length)
            .otherwise("minutes_to_clear"),
        )
        .sort("drain_id", "code", "started_at", "ended_at")
        .unique(["drain_id", "code", "started_at"], keep="last", maintain_order=True)
    )


def drain_canisters(
    stretches: pl.DataFrame, canisters: pl.DataFrame, minutes: pl.DataFrame, resolution: ResolutionRules
) -> pl.DataFrame:
    """
    The canisters of a drain (CANISTER), with the fluid that went into each while it served the drain.

    Numbered from 1 within the drain, over all its uses. The volumes of a drain's canisters add up to its
    output.

    Parameters
    ----------
    stretches
        From `stretch_outputs`.
    canisters
        USE_CANISTER.
    """
    per_ml = steps_per_unit(resolution.volume)
    read = (
        minutes.lazy()
        .filter(pl.col("canister_no").is_not_null() & pl.col("output_ml").is_not_null())
        .group_by(*STRETCH, "canister_no")
        .agg(last=in_steps("output_ml", per_ml).max())
        .sort(*STRETCH, "canister_no")
        .with_columns(earlier=pl.col("last").shift(1).over(STRETCH))
        .collect()
    )
    held = stretches.select(*STRETCH, "until_at", "base")
    return (
        canisters.drop("volume_ml")
        .join(held, on="use_id")
        .with_columns(
            fitted=pl.max_horizontal("fitted_at", "from_at"),
            removed=pl.when(pl.col("removed_at") < pl.col("until_at")).then("removed_at"),
        )
        .filter(
            (pl.col("fitted") < pl.col("until_at"))
            & (pl.col("removed_at").is_null() | (pl.col("removed_at") > pl.col("from_at")))
        )
        .join(read, on=[*STRETCH, "canister_no"], how="left")
        .sort("drain_id", "from_at", "canister_no")
        .select(
            "drain_id",
            canister_no=pl.int_range(1, pl.len() + 1).over("drain_id"),
            fitted_at="fitted",
            removed_at="removed",
            unread_minutes=pl.when(pl.col("removed").is_not_null()).then("unread_minutes"),
            volume_ml=in_units(pl.col("last") - pl.col("earlier").fill_null(pl.col("base")), per_ml),
        )
    )


def _holes(minutes: pl.DataFrame, drains: pl.DataFrame) -> pl.DataFrame:
    seen = minutes.select("drain_id", "minute", "observed").filter("observed")
    expected = drains.select("drain_id", into=whole_minute("tube_in_at"), out=whole_minute("tube_out_at"))
    previous = pl.col("minute").shift(1).over("drain_id") + _MINUTE
    before = (
        seen.with_columns(previous=previous)
        .filter(pl.col("previous").is_null() | (pl.col("minute") > pl.col("previous")))
        .join(expected, on="drain_id")
        .select("drain_id", started_at=pl.coalesce("previous", "into"), ended_at="minute")
    )
    last = seen.group_by("drain_id").agg(last=pl.col("minute").max() + _MINUTE)
    after = expected.join(last, on="drain_id", how="left").select(
        "drain_id", started_at=pl.coalesce("last", "into"), ended_at="out"
    )
    return (
        pl.concat([before, after])
        .filter(pl.col("started_at") < pl.col("ended_at"))
        .sort("drain_id", "started_at")
    )
