"""From claims and courses to the published tables of drains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.cohort.annotations import drain_annotations
from pipeline.cohort.bedside import bedside_minutes
from pipeline.cohort.claims import Claims
from pipeline.cohort.fluid import stretch_outputs, with_drain_output
from pipeline.cohort.holding import touches, whole_minute
from pipeline.cohort.leak_doubt import unresolved_stretches
from pipeline.cohort.minutes import drain_minutes
from pipeline.cohort.origin import with_origin
from pipeline.cohort.outcomes import judge
from pipeline.cohort.quantities import hours, in_units, steps_per_unit
from pipeline.cohort.readiness import readiness
from pipeline.cohort.rules import RemovalRule
from pipeline.cohort.steps import clock_doubt
from pipeline.cohort.stretches import drain_alerts, drain_canisters, drain_periods
from pipeline.cohort.totals import drain_days, drain_totals, first_output
from pipeline.definitions import Definitions
from schemas.published import (
    ALERT,
    CANISTER,
    DRAIN,
    DRAIN_ANNOTATION,
    DRAIN_DAY,
    DRAIN_USE,
    PERIOD,
    READINESS,
)
from schemas.table import Table

_ID = "drain_id"


@dataclass(frozen=True)
class DrainTables:
    """The published tables that hold drains, each sorted by its key."""

    drain: pl.DataFrame
    drain_outcome: pl.DataFrame
    drain_day: pl.DataFrame
    period: pl.DataFrame
    alert: pl.DataFrame
    canister: pl.DataFrame
    readiness: pl.DataFrame
    annotation: pl.DataFrame
    bedside: pl.DataFrame
    drain_use: pl.DataFrame


def summarise(
    claims: Claims,
    uses: pl.DataFrame,
    course: pl.DataFrame,
    evidence: pl.DataFrame,
    periods: pl.DataFrame,
    alerts: pl.DataFrame,
    canisters: pl.DataFrame,
    annotations: pl.DataFrame,
    definitions: Definitions,
    rules: Sequence[RemovalRule],
) -> DrainTables:
    """
    Summarise drains from the course of the uses that served them.

    Any subset of drains may be asked for in one call: what comes out for a drain rests on its own claims
    and the uses in them, never on the other drains of the call.

    Parameters
    ----------
    claims
        From `claim`, with `Claims.only` for some drains.
    uses, course, evidence, periods, alerts, canisters
        USE_TABLE, COURSE, EVIDENCE, USE_PERIOD, USE_ALERT and USE_CANISTER rows of the uses in the claims,
        each use whole: the part before a drain's stretch says where its fluid starts. Others are left out.
    annotations
        ANNOTATION rows that stand. The course has already decided by them what the log could not; removal
        rules heed them as well.
    rules
        From `load_rules`.
    """
    minutes = drain_minutes(claims.drain_use, course)
    stretches = stretch_outputs(claims.drain_use, minutes, course, definitions)
    minutes = with_drain_output(minutes, stretches, definitions.resolution)
    own_alerts = drain_alerts(claims.drain_use, alerts)
    own_canisters = drain_canisters(stretches, canisters, minutes, definitions.resolution)
    totals = drain_totals(minutes, own_alerts, own_canisters, definitions)
    drains = _drains(claims, uses, totals, stretches, definitions)
    by_registry = pl.coalesce("procedure_end_at", "tube_in_at").is_not_null()
    timed_elsewhere = (
        claims.drain_use.select(_ID, "use_id")
        .unique()
        .join(drains.filter(by_registry).select(_ID), on=_ID)
        .join(uses.select("use_id", "clock_carried_minutes"), on="use_id")
    )

    outcomes = judge(
        minutes,
        drains,
        lambda by: clock_doubt(claims.drain_use, course, by, timed_elsewhere),
        definitions,
        unresolved_stretches(claims.drain_use, periods),
    )
    drains = outcomes.drains.join(first_output(minutes, drains, definitions), on=_ID, how="left")
    bedside = bedside_minutes(
        claims.drain_use, course, evidence, uses, _notes(claims, annotations), definitions
    )
    return DrainTables(
        drain=_table(DRAIN, drains),
        drain_outcome=outcomes.drain_outcome,
        drain_day=_table(DRAIN_DAY, drain_days(minutes, own_alerts, drains, definitions)),
        period=_table(PERIOD, drain_periods(claims.drain_use, periods, outcomes.leaks, minutes, drains)),
        alert=_table(ALERT, own_alerts),
        canister=_table(CANISTER, own_canisters),
        readiness=_table(READINESS, readiness(bedside, drains, definitions, rules)),
        annotation=_table(DRAIN_ANNOTATION, drain_annotations(claims.drains, annotations, minutes)),
        bedside=bedside,
        drain_use=_table(DRAIN_USE, stretches),
    )


def _drains(
    claims: Claims,
    uses: pl.DataFrame,
    totals: pl.DataFrame,
    stretches: pl.DataFrame,
    definitions: Definitions,
) -> pl.DataFrame:
    """The claims' drains with their totals, origin, expected minutes and what their uses say of the end."""
    per_ml = steps_per_unit(definitions.resolution.volume)
    read = pl.col("amount").is_not_null().all() & pl.col("last").is_not_null().any()
    served = (
        stretches.join(
            uses.select("use_id", "clock_uncertain", "later_session", "last_export_at"),
            on="use_id",
            how="left",
        )
        .sort(_ID, "from_at", "use_id")
        .group_by(_ID, maintain_order=True)
        .agg(
            uses=pl.col("use_id").n_unique(),
            clock_uncertain=pl.col("clock_uncertain").any(),
            later_session=pl.col("later_session").last(),
            last_export_at=pl.col("last_export_at").last(),
            output_ml=in_units(pl.when(read).then(pl.col("amount").sum()), per_ml),
        )
    )
    whole = pl.col("started_at"), pl.col("ended_at") + pl.duration(minutes=1)
    expected = (
        pl.when(pl.col("linked"))
        .then((whole_minute("tube_out_at") - whole_minute("tube_in_at")).dt.total_minutes())
        .otherwise((whole[1] - whole[0]).dt.total_minutes())
    )
    late = hours(pl.col("started_at") - pl.col("origin_at"))
    return (
        with_origin(
            claims.drains.drop("uses", "devices")
            .join(served, on=_ID, how="left")
            .join(totals, on=_ID, how="left")
        )
        .with_columns(
            pl.col("uses").fill_null(0),
            pl.col("minutes_observed").fill_null(0),
            minutes_expected=expected,
            entered_hours=pl.max_horizontal(late, pl.when(late.is_not_null()).then(0.0)),
        )
        .with_columns(
            completeness=pl.when(pl.col("minutes_expected") > 0).then(
                in_units(pl.col("minutes_observed"), pl.col("minutes_expected"))
            )
        )
        .sort(_ID)
    )


def _notes(claims: Claims, annotations: pl.DataFrame) -> pl.DataFrame:
    """The annotations of these drains on the stretches of uses that served them, none of other drains."""
    ended = pl.col("ended_at")
    return (
        annotations.join(claims.drains.select("site", "drain_key", _ID), on=["site", "drain_key"])
        .join(claims.drain_use, on=_ID)
        .filter(touches())
        .select(
            "use_id",
            started_at=pl.max_horizontal("started_at", "from_at"),
            ended_at=pl.when(ended.is_not_null()).then(pl.min_horizontal(ended, "until_at")),
            kind="kind",
        )
        .unique()
        .sort("use_id", "started_at", "kind", "ended_at")
    )


def _table(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    return table.conform(frame).sort(table.key)
