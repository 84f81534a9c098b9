"""What a drain's minutes add up to: one row a drain, and one row a drain and local day."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.fluid import read_to_end
from pipeline.cohort.quantities import in_steps, in_units, steps_per_unit
from pipeline.definitions import Definitions
from schemas.vocabulary import PeriodKind, State, Verdict


def drain_totals(
    minutes: pl.DataFrame, alerts: pl.DataFrame, canisters: pl.DataFrame, definitions: Definitions
) -> pl.DataFrame:
    """
    Sum a drain's minutes into the columns of DRAIN that need no judgement.

    A count stands on minutes whose input is known and is null where none is. Sums are of whole steps of
    the resolution. Leak counts over assessable minutes only.

    Parameters
    ----------
    minutes
        From `drain_minutes`, with `fluid`.
    alerts, canisters
        The drain's own (ALERT, CANISTER).
    """
    leak = pl.col("assessable") & pl.col("air_leak_ml_min").is_not_null()
    steps = steps_per_unit(definitions.resolution.flow)
    leaked = in_steps("air_leak_ml_min", steps).filter(leak)
    seen = pl.col("observed")
    told = seen & pl.col("state").is_not_null()
    breathing = pl.col("tidaling") == Verdict.PRESENT.value
    sums = minutes.group_by("drain_id").agg(
        minutes_observed=seen.sum().cast(pl.Int32),
        started_at=pl.col("minute").filter(seen).min(),
        ended_at=pl.col("minute").filter(seen).max(),
        run_hours=in_units(_counted(pl.col("state") == State.RUN.value, told), 60),
        pause_hours=in_units(_counted(pl.col("state") == State.PAUSE.value, told), 60),
        state_known_minutes=told.sum(),
        tilted_minutes=_counted(_flag(PeriodKind.TILTED), pl.col("tilt_known")),
        tilt_known_minutes=pl.col("tilt_known").sum(),
        suction_shortfall_minutes=_counted(_flag(PeriodKind.SUCTION_SHORTFALL), pl.col("suction_known")),
        suction_known_minutes=pl.col("suction_known").sum(),
        line_open_minutes=_counted(_flag(PeriodKind.LINE_OPEN), pl.col("line_known")),
        # Staff may note a block over minutes that tell nothing of breathing, a pause among them: they count.
        occlusion_minutes=pl.when(pl.col("tidaling_known").any()).then(
            (_flag(PeriodKind.OCCLUSION_SUSPECTED) & seen).sum()
        ),
        leak_peak_ml_min=in_units(leaked.max(), steps),
        leak_mean_ml_min=in_units(pl.when(leak.any()).then(leaked.sum()), steps * leaked.len()),
        leak_total_l=in_units(pl.when(leak.any()).then(leaked.sum()), steps * 1000),
        tidaling_present_minutes=_verdict(Verdict.PRESENT),
        tidaling_absent_minutes=_verdict(Verdict.ABSENT),
        tidaling_indeterminate_minutes=_verdict(Verdict.INDETERMINATE),
        tidaling_not_assessable_minutes=_counted(pl.col("tidaling") == Verdict.NOT_ASSESSABLE.value, seen),
        tidal_swing_median_cmh2o=pl.col("swing_cmh2o").filter(breathing & seen).median(),
        breath_rate_median_per_min=pl.col("breath_rate_per_min").filter(breathing & seen).median(),
        mains_minutes=_counted(pl.col("mains"), pl.col("mains").is_not_null()),
        battery_minutes=_counted(~pl.col("mains"), pl.col("mains").is_not_null()),
        alerts_known=pl.col("alerts_known").any(),
        alerts_known_minutes=pl.col("alerts_known").sum(),
        volume_known=pl.col("canister_no").is_not_null().any(),
    )
    rang = alerts.group_by("drain_id").agg(alerts_begun=pl.len())
    changed = canisters.group_by("drain_id").agg(
        changes=pl.col("removed_at").is_not_null().sum(), unread=pl.col("unread_minutes").sum()
    )
    return (
        sums.join(rang, on="drain_id", how="left")
        .join(changed, on="drain_id", how="left")
        .with_columns(
            alert_count=pl.when("alerts_known").then(pl.col("alerts_begun").fill_null(0)),
            canister_changes=pl.when("volume_known").then(pl.col("changes").fill_null(0)),
            canister_unread_minutes=pl.when("volume_known").then(pl.col("unread").fill_null(0)),
        )
        .sort("drain_id")
    )


def first_output(minutes: pl.DataFrame, drains: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """
    Fluid in the first 24 hours after the origin, where those hours were watched and readings bracket them.

    Watched: `drain.watched_share` of their minutes observed, the tube not out and the log not over before
    they were. Bracketed: the volume was first read by `drain.read_within` after the origin, or after the
    first minute where that is later, and last read at most as long before the 24 hours were over.
    Otherwise null: part of a day's fluid is not a day's fluid.

    Parameters
    ----------
    drains
        `drain_id`, `origin_at`, `tube_out_at`, `ended_at`.
    """
    span = round(definitions.drain.first_hours * 60)
    per_ml = steps_per_unit(definitions.resolution.volume)
    end = pl.col("origin_at") + pl.duration(minutes=span)
    early, late = pl.col("minute") < pl.col("origin_at"), pl.col("minute") < end
    within = pl.duration(minutes=definitions.drain.read_within)
    read = pl.col("minute").filter("volume_read")
    begun = pl.max_horizontal(pl.col("origin_at").first(), pl.col("minute").filter("observed").min())
    return (
        minutes.lazy()
        .join(drains.lazy().select("drain_id", "origin_at", "tube_out_at", "ended_at"), on="drain_id")
        .filter(late)
        .group_by("drain_id")
        .agg(
            watched=(pl.col("observed") & ~early).sum() >= definitions.drain.watched_share * span,
            reached=(
                (pl.col("ended_at").first() + pl.duration(minutes=1) >= end.first())
                & (pl.col("tube_out_at").first() >= end.first()).fill_null(True)
            ),
            bracketed=(read.min() <= begun + within) & (read.max() >= end.first() - within),
            amount=pl.col("fluid").max() - pl.col("fluid").filter(early).max().fill_null(0),
        )
        .select(
            "drain_id",
            output_first_24h_ml=in_units(
                pl.when(pl.col("watched") & pl.col("reached") & pl.col("bracketed")).then(pl.col("amount")),
                per_ml,
            ),
        )
        .sort("drain_id")
        .collect()
    )


def drain_days(
    minutes: pl.DataFrame, alerts: pl.DataFrame, drains: pl.DataFrame, definitions: Definitions
) -> pl.DataFrame:
    """
    One row a drain and local calendar day with at least one observed minute (DRAIN_DAY).

    A day's fluid is the last reading of the day less the last one of the day before (0 before the first
    minute); null where either day has no reading, or none in the last `drain.read_within` that the device ran
    on it, for then nobody knows what fell on which day.

    Parameters
    ----------
    drains
        `drain_id`, `origin_day`.
    """
    steps = steps_per_unit(definitions.resolution.flow)
    per_ml = steps_per_unit(definitions.resolution.volume)
    leak = pl.col("assessable") & pl.col("air_leak_ml_min").is_not_null()
    leaked = in_steps("air_leak_ml_min", steps).filter(leak)
    seen = pl.col("observed")
    day = (pl.col("minute") + pl.duration(minutes=pl.col("utc_offset_minutes"))).dt.date()
    days = (
        minutes.lazy()
        .with_columns(day=day)
        .group_by("drain_id", "day")
        .agg(
            minutes_observed=seen.sum().cast(pl.Int32),
            fluid=pl.when(read_to_end(definitions.drain)).then(pl.col("fluid").max()),
            leak_mean_ml_min=in_units(pl.when(leak.any()).then(leaked.sum()), steps * leaked.len()),
            leak_peak_ml_min=in_units(leaked.max(), steps),
            leak_minutes=_counted(pl.col("leak_on"), pl.col("known")),
            tidaling_present_minutes=_verdict(Verdict.PRESENT),
            tilted_minutes=_counted(_flag(PeriodKind.TILTED), pl.col("tilt_known")),
            pause_minutes=_counted(pl.col("state") == State.PAUSE.value, seen),
            alerts_known=pl.col("alerts_known").any(),
        )
        .sort("drain_id", "day")
        .collect()
    )
    offsets = minutes.select("drain_id", "minute", "utc_offset_minutes")
    rang = (
        alerts.join(offsets, left_on=["drain_id", "started_at"], right_on=["drain_id", "minute"])
        .with_columns(
            day=(pl.col("started_at") + pl.duration(minutes=pl.col("utc_offset_minutes"))).dt.date()
        )
        .group_by("drain_id", "day")
        .agg(alerts_begun=pl.len())
    )
    first = pl.col("day").shift(1).over("drain_id").is_null()
    follows = pl.col("day").shift(1).over("drain_id") == pl.col("day") - pl.duration(days=1)
    before = pl.when(first).then(0).when(follows).then(pl.col("fluid").shift(1).over("drain_id"))
    return (
        days.with_columns(output_ml=in_units(pl.col("fluid") - before, per_ml))
        .filter(pl.col("minutes_observed") > 0)
        .join(rang, on=["drain_id", "day"], how="left")
        .join(drains.select("drain_id", "origin_day"), on="drain_id")
        .with_columns(
            day_no=(pl.col("day") - pl.col("origin_day")).dt.total_days(),
            alert_count=pl.when("alerts_known").then(pl.col("alerts_begun").fill_null(0)),
        )
        .sort("drain_id", "day")
    )


def _flag(kind: PeriodKind) -> pl.Expr:
    return pl.col(kind.value)


def _counted(what: pl.Expr, known: pl.Expr) -> pl.Expr:
    """How many of the known minutes; null where none is known."""
    return pl.when(known.any()).then((what & known).sum())


def _verdict(verdict: Verdict) -> pl.Expr:
    return _counted(pl.col("tidaling") == verdict.value, pl.col("tidaling_known"))
