"""Annotations by staff: from the hospital's drains to the device uses they speak of."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.claims import sound
from pipeline.cohort.holding import held_of, touches
from pipeline.cohort.registry import standing
from pipeline.course.against_log import SHUT
from schemas.published import DATA_QUALITY
from schemas.vocabulary import AnnotationKind

_KEY = ["drain_id", "kind", "started_at"]


def use_annotations(uses: pl.DataFrame, registry: pl.DataFrame, annotations: pl.DataFrame) -> pl.DataFrame:
    """
    Lay the standing annotations of each drain over the uses that served it.

    A stretch is clipped to the part of the use that the drain holds; a moment (no `ended_at`) counts
    where it falls inside. Free text stays behind.

    Returns
    -------
    `use_id`, `started_at`, `ended_at` (null: a moment), `kind`, sorted.
    """
    holders = held_of(uses, sound(standing(registry))).holders
    return (
        standing(annotations)
        .join(holders, on=["site", "drain_key"])
        .filter(touches())
        .select(
            "use_id",
            started_at=pl.max_horizontal("started_at", "from_at"),
            ended_at=pl.when(pl.col("ended_at").is_not_null()).then(
                pl.min_horizontal("ended_at", "until_at")
            ),
            kind="kind",
        )
        .unique()
        .sort("use_id", "started_at", "kind", "ended_at")
    )


def drain_annotations(drains: pl.DataFrame, annotations: pl.DataFrame, minutes: pl.DataFrame) -> pl.DataFrame:
    """
    The annotations of drains with what the log says to them (columns of DRAIN_ANNOTATION), without any text.

    Parameters
    ----------
    drains
        `drain_id`, `site`, `drain_key`.
    annotations
        ANNOTATION rows that stand; those of other drains are left out.
    minutes
        From `drain_minutes`.
    """
    own = annotations.join(drains.select("site", "drain_key", "drain_id"), on=["site", "drain_key"]).select(
        *_KEY,
        "ended_at",
        first=pl.col("started_at").dt.truncate("1m"),
        last=(pl.col("ended_at") - pl.duration(microseconds=1)).dt.truncate("1m"),
    )
    lasting = pl.col("ended_at").is_null() & (pl.col("kind") == AnnotationKind.CLAMP_TRIAL.value)
    over = (
        own.filter(lasting)
        .join(minutes.filter(~_holds(pl.lit(AnnotationKind.CLAMP_TRIAL.value))), on="drain_id")
        .filter(pl.col("minute") > pl.col("first"))
        .group_by(_KEY)
        .agg(over=pl.col("minute").min())
    )
    # Nothing but the minutes in which it holds is counted, so one that never ended has no last minute.
    last = pl.when(lasting).then(pl.col("over") - pl.duration(minutes=1)).otherwise("first")
    held = own.join(over, on=_KEY, how="left").with_columns(last=pl.coalesce("last", last))
    day = (pl.col("minute") + pl.duration(minutes=pl.col("utc_offset_minutes"))).dt.date()
    against = pl.col("against_log").list.contains(pl.col("kind"))
    counted = (
        held.join(minutes.filter(pl.col("observed") & (pl.col("annotations").list.len() > 0)), on="drain_id")
        .filter(pl.col("minute") >= pl.col("first"), (pl.col("minute") <= pl.col("last")).fill_null(True))
        .filter(_holds(pl.col("kind")))
        .group_by(_KEY)
        .agg(minutes=pl.len(), against=against.sum(), against_log_day=day.filter(against).min())
    )
    return (
        held.join(counted, on=_KEY, how="left")
        .with_columns(
            pl.col("minutes").fill_null(0),
            minutes_against_log=pl.when(pl.col("kind").is_in([kind.value for kind in SHUT])).then("against"),
        )
        .select(*_KEY, "ended_at", "minutes", "minutes_against_log", "against_log_day")
    )


def against_log_findings(annotations: pl.DataFrame, drains: pl.DataFrame) -> pl.DataFrame:
    """
    The annotations that the log contradicts, as DATA_QUALITY rows of scope `registry`, each on its first day.

    Parameters
    ----------
    annotations
        DRAIN_ANNOTATION.
    drains
        DRAIN.
    """
    return DATA_QUALITY.conform(
        annotations.filter(pl.col("minutes_against_log") > 0)
        .join(drains.select("drain_id", "site"), on="drain_id")
        .select(
            "site",
            "drain_id",
            scope=pl.lit("registry"),
            day="against_log_day",
            finding=pl.lit("annotation_against_log"),
            minutes="minutes_against_log",
            detail=pl.format(
                "{} at {}: the log shows flow in {} of {} min, which count for the lung",
                "kind",
                pl.col("started_at").dt.strftime("%Y-%m-%dT%H:%MZ"),
                "minutes_against_log",
                "minutes",
            ),
        )
    ).sort("site", "drain_id", "detail")


def _holds(kind: pl.Expr) -> pl.Expr:
    """Whether an annotation of that kind is in force at a minute."""
    return pl.col("annotations").list.contains(kind)
