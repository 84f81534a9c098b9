"""Stretches of a drain in which much air flowed, from the lung or from the room: nobody can tell which."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.judgements import LEAK_KEY
from schemas.vocabulary import Grade, PeriodKind


def unresolved_stretches(drain_use: pl.DataFrame, periods: pl.DataFrame) -> pl.DataFrame:
    """
    The stretches of `line_open` with the grade `unresolved` that lie in what each drain holds of its uses.

    Parameters
    ----------
    drain_use
        `drain_id`, `use_id`, `from_at`, `until_at`.
    periods
        USE_PERIOD.

    Returns
    -------
    `drain_id`, `started_at`, `ended_at` (exclusive), sorted.
    """
    open_line = (pl.col("kind") == PeriodKind.LINE_OPEN.value) & (pl.col("grade") == Grade.UNRESOLVED.value)
    return (
        periods.filter(open_line)
        .join(drain_use.select("drain_id", "use_id", "from_at", "until_at"), on="use_id")
        .select(
            "drain_id",
            started_at=pl.max_horizontal("started_at", "from_at"),
            ended_at=pl.min_horizontal("ended_at", "until_at"),
        )
        .filter(pl.col("started_at") < pl.col("ended_at"))
        .sort("drain_id", "started_at", "ended_at")
    )


def doubtful_leaks(
    stretches: pl.DataFrame,
    known: pl.DataFrame,
    leaks: pl.DataFrame,
    sets: pl.DataFrame,
    drains: pl.DataFrame,
) -> pl.DataFrame:
    """
    Those stretches that, if the air came from the lung, were a leak or a part of one.

    They are taken together like minutes with the leak on (`join_below`). One less than `join_below` from a
    leak would be a part of it, however short; another counts where it and the unseen minutes beside it
    could fill `blip_below`. They are no leaks and make none; they say how late the last one may have ended,
    and that it is not known that there was none. Where only leaks count that began within some time of the
    origin (`begins_within`), a stretch after that counts only as a part of one that did.

    Parameters
    ----------
    stretches
        From `unresolved_stretches`.
    known, leaks
        From `leak_stretches` and `leaks_of`.
    sets
        From `leak_sets`; each looks at the stretches for itself.
    drains
        `drain_id`, `origin_at`.

    Returns
    -------
    One row a doubtful leak with the columns of `leaks_of` but for the figures, `blip` true, without
    `leak_no`, and `minutes_on` the minutes in doubt.
    """
    started, ended = pl.col("started_at"), pl.col("ended_at")
    apart = pl.duration(minutes="join_below")
    new = (started - ended.shift(1).over(LEAK_KEY) >= apart).fill_null(True)
    together = (
        stretches.lazy()
        .select("drain_id", "started_at", "ended_at")
        .join(sets.lazy().drop("on_above"), how="cross")
        .sort(*LEAK_KEY, "started_at", "ended_at")
        .with_columns(run=new.cast(pl.Int32).cum_sum().over(LEAK_KEY))
        .group_by(*LEAK_KEY, "run")
        .agg(
            pl.col("join_below", "blip_below", "begins_within").first(),
            started.min(),
            ended.max(),
            minutes_on=(ended - started).dt.total_minutes().sum().cast(pl.Int32),
        )
        .drop("run")
    )
    # Of the known minutes: those before it, those behind it, and what was seen off by then.
    seen = known.lazy().select(
        *LEAK_KEY, seen_from="started_at", seen_until="ended_at", off="on", minutes="minutes"
    )
    off = pl.when(~pl.col("off")).then("minutes").otherwise(0)
    before, behind = pl.col("seen_until") <= started, pl.col("seen_from") >= ended
    beside = (
        together.join(seen, on=LEAK_KEY, how="left")
        .group_by(*LEAK_KEY, "started_at")
        .agg(
            pl.col("ended_at", "minutes_on", "join_below", "blip_below", "begins_within").first(),
            start_earliest_at=pl.col("seen_until").filter(before).max(),
            end_latest_at=pl.col("seen_from").filter(behind).min(),
            off_before=off.filter(before).sum().cast(pl.Int32),
            off_by_end=off.filter(~behind).sum().cast(pl.Int32),
        )
    )
    real = (
        leaks.lazy().filter(~pl.col("blip")).select(*LEAK_KEY, real_from="started_at", real_until="ended_at")
    )
    near = (pl.col("real_from") - ended < apart) & (started - pl.col("real_until") < apart)
    told = (
        beside.join(real, on=LEAK_KEY, how="left")
        .group_by(*LEAK_KEY, "started_at")
        .agg(pl.exclude("real_from", "real_until").first(), beside_leak=near.any().fill_null(False))
        .join(drains.lazy().select("drain_id", "origin_at"), on="drain_id", how="left")
    )
    earliest = pl.coalesce("start_earliest_at", "started_at")
    latest = pl.coalesce("end_latest_at", "ended_at")
    unseen = (latest - earliest).dt.total_minutes() - (pl.col("off_by_end") - pl.col("off_before"))
    limit = pl.col("origin_at") + pl.duration(minutes="begins_within")
    in_time = pl.col("begins_within").is_null() | pl.col("beside_leak") | (earliest < limit)
    return (
        told.filter(in_time & (pl.col("beside_leak") | (unseen >= pl.col("blip_below"))))
        .select(
            *LEAK_KEY,
            "started_at",
            "ended_at",
            "minutes_on",
            "start_earliest_at",
            "end_latest_at",
            "off_before",
            "off_by_end",
            blip=pl.lit(True),
        )
        .sort(*LEAK_KEY, "started_at")
        .collect()
    )
