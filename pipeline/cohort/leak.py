"""The leaks of a drain: when they were on, when the last one ended, and how sure that is."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.quantities import hours
from pipeline.definitions import DrainRules, LeakRules
from schemas.vocabulary import RemovalReason

_MINUTE = pl.duration(minutes=1)


def leak_stretches(minutes: pl.DataFrame, rules: LeakRules) -> pl.DataFrame:
    """
    The minutes of each drain that say whether the leak was on, as unbroken stretches, numbered by leak.

    On-stretches less than `rules.join_below` apart are one leak. Further apart they are two, also where
    nothing was seen in between: whether the leak went on through the hole, nobody can tell, and each of the
    two has an edge that may lie anywhere in it. A leak with fewer than `rules.blip_below` minutes on in all
    is a blip.

    Parameters
    ----------
    minutes
        `drain_id`, `minute`, `known`, `leak_on`, sorted by drain and minute.

    Returns
    -------
    The known minutes, adjacent ones of one kind together: `drain_id`, `started_at`, `ended_at` (exclusive),
    `minutes`, `on`, `off_so_far` (minutes seen without leak up to its end), `before`, `after` (end and start
    of the stretches next to it), and for those with the leak on `leak_no` (from 1) and `blip`. Sorted.
    """
    drain, on = "drain_id", pl.col("leak_on")
    goes_on = (
        (pl.col(drain) == pl.col(drain).shift(1))
        & (on == on.shift(1))
        & (pl.col("minute") - pl.col("minute").shift(1) == _MINUTE)
    )
    stretches = (
        minutes.lazy()
        .filter(pl.col("known"))
        .select(drain, "minute", "leak_on", stretch=(~goes_on).fill_null(True).cast(pl.Int32).cum_sum())
        .group_by("stretch")
        .agg(
            pl.col(drain).first(),
            started_at=pl.col("minute").min(),
            ended_at=pl.col("minute").max() + _MINUTE,
            minutes=pl.len().cast(pl.Int32),
            on=on.first(),
        )
        .sort(drain, "started_at")
        .drop("stretch")
        .collect()
    )
    return numbered(stretches, rules)


def numbered(stretches: pl.DataFrame, rules: LeakRules) -> pl.DataFrame:
    """Stretches of known minutes (`drain_id`, `started_at`, `ended_at`, `minutes`, `on`) numbered by leak."""
    drain = "drain_id"
    known = (
        stretches.lazy()
        .sort(drain, "started_at")
        .select(
            drain,
            "started_at",
            "ended_at",
            "minutes",
            "on",
            off_so_far=pl.when("on").then(0).otherwise("minutes").cast(pl.Int32).cum_sum().over(drain),
            before=pl.col("ended_at").shift(1).over(drain),
            after=pl.col("started_at").shift(-1).over(drain),
        )
    )
    apart = pl.col("started_at") - pl.col("ended_at").shift(1).over(drain)
    new = (apart >= pl.duration(minutes=rules.join_below)).fill_null(True)
    on = (
        known.filter(pl.col("on"))
        .with_columns(leak_no=new.cast(pl.Int32).cum_sum().over(drain))
        .with_columns(blip=pl.col("minutes").sum().over(drain, "leak_no") < rules.blip_below)
    )
    off = known.filter(~pl.col("on"))
    return pl.concat([on, off], how="diagonal").sort(drain, "started_at").collect()


def leaks_of(known: pl.DataFrame) -> pl.DataFrame:
    """
    One row a leak or blip of a drain.

    Parameters
    ----------
    known
        From `leak_stretches`.

    Returns
    -------
    `drain_id`, `leak_no`, `started_at`, `ended_at` (exclusive; end of the last minute seen on),
    `minutes_on`, `blip`, `start_earliest_at` and `end_latest_at`: between what was seen on and the known
    minute next to it, the leak may have begun or ended anywhere; null where nothing was seen there;
    `off_before` and `off_by_end` (minutes seen without leak before it and up to its end).
    """
    return (
        known.lazy()
        .filter(pl.col("on"))
        .group_by("drain_id", "leak_no")
        .agg(
            started_at=pl.col("started_at").min(),
            ended_at=pl.col("ended_at").max(),
            minutes_on=pl.col("minutes").sum().cast(pl.Int32),
            blip=pl.col("blip").first(),
            start_earliest_at=pl.col("before").sort_by("started_at").first(),
            end_latest_at=pl.col("after").sort_by("started_at").last(),
            off_before=pl.col("off_so_far").min(),
            off_by_end=pl.col("off_so_far").max(),
        )
        .sort("drain_id", "leak_no")
        .collect()
    )


def begun_within(known: pl.DataFrame, drains: pl.DataFrame, within: float, rules: LeakRules) -> pl.DataFrame:
    """
    The stretches of `leak_stretches` with only those leaks on that began within so many hours of the origin.

    A leak that began later is off. One of which that cannot be told, for it began in a hole or before the
    log, is treated like a blip: it proves nothing either way.
    """
    limit = pl.col("origin_at") + pl.duration(minutes=round(within * 60))
    earliest = pl.coalesce("start_earliest_at", pl.min_horizontal("origin_at", "started_at"))
    told = (
        leaks_of(known)
        .join(drains.select("drain_id", "origin_at"), on="drain_id")
        .select("drain_id", "leak_no", late=earliest >= limit, perhaps_late=pl.col("started_at") >= limit)
    )
    marked = known.join(told, on=["drain_id", "leak_no"], how="left", maintain_order="left")
    kept = numbered(marked.with_columns(on=pl.col("on") & ~pl.col("late").fill_null(False)), rules)
    doubtful = marked.select("drain_id", "started_at", "perhaps_late")
    return kept.join(doubtful, on=["drain_id", "started_at"], how="left", maintain_order="left").with_columns(
        blip=pl.col("blip") | (pl.col("on") & pl.col("perhaps_late"))
    )


def may_be_a_leak(rules: LeakRules) -> pl.Expr:
    """
    Whether one of `leaks_of` is a leak, or a blip that the unseen minutes in and beside it could make one.
    """
    earliest = pl.coalesce("start_earliest_at", "started_at")
    latest = pl.coalesce("end_latest_at", "ended_at")
    seen_off = pl.col("off_by_end") - pl.col("off_before")
    return ~pl.col("blip") | ((latest - earliest).dt.total_minutes() - seen_off >= rules.blip_below)


def leak_outcome(
    drains: pl.DataFrame,
    known: pl.DataFrame,
    leaks: pl.DataFrame,
    rules: LeakRules,
    watched: DrainRules,
    removal_window: float,
    doubtful: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """
    When each drain's last leak ended.

    | what was seen | `leak_ended_at` | `leak_end_earliest_at` | `leak_end_latest_at` | `leak_hours` |
    |---|---|---|---|---|
    | no minute that can be assessed | null | null | null | null |
    | on at the last assessable minute (ongoing) | null | end of what was seen on | null | null |
    | ended, and confirmed | end of the last leak | the same | first minute seen off | origin to end |
    | ended, not confirmed | null | end of what was seen on | null | null |
    | never on, watched from the origin | null | null | null | 0 |
    | never on, not so | null | null | null | null |

    An end is confirmed by `rules.confirm` assessable leak-free minutes behind it, or by a planned removal
    at most `removal_window` hours after the last assessable minute.
    A recurrence is a leak before which, since the leak before, minutes were seen without. Where a blip may be
    a leak (`may_be_a_leak`), the last end may lie as late as its own, and nothing shows that there was none.
    Watched from the origin: the first assessable minute at most `rules.late_entry` after it,
    `watched.watched_share` of the minutes up to the last assessable one assessable, and the leak's absence
    confirmed like an end. Where `leak_end_latest_at` lies after `leak_ended_at` the end fell into a hole;
    the earliest time is then the one given. An ongoing or unconfirmed leak is censored at
    `leak_end_earliest_at`. Blips count nowhere here, except that a leak on at the very end is ongoing
    however short.
    Where much air flowed and nobody can tell whether from the lung (`doubtful_leaks`), the last end may lie
    as late as that, is confirmed only by what was seen behind it, and nothing shows that there was no leak.

    Parameters
    ----------
    drains
        `drain_id`, `origin_at`, `tube_out_at`, `removal_reason`.
    removal_window
        Of the definition of a prolonged leak, in hours.
    doubtful
        From `doubtful_leaks`; without it there are none.

    Returns
    -------
    `drain_id` and the leak columns of DRAIN, with `first_known`, `last_known`, `off_behind` (assessable
    leak-free minutes after the last minute with leak, or that may have been one).
    """
    perhaps = leaks.clear() if doubtful is None else doubtful
    in_doubt = perhaps.group_by("drain_id").agg(
        off_by_doubt=pl.col("off_by_end").max(), in_doubt_until=pl.col("ended_at").max()
    )
    seen = known.group_by("drain_id").agg(
        first_known=pl.col("started_at").min(),
        last_known=pl.col("ended_at").max() - _MINUTE,
        ongoing=pl.col("on").sort_by("started_at").last(),
        minutes_known=pl.col("minutes").sum().cast(pl.Int64),
        minutes_off=pl.col("off_so_far").max(),
        off_behind=pl.col("off_so_far").max() - pl.col("off_so_far").filter(pl.col("on")).max().fill_null(0),
    )
    off_since = pl.col("off_before") - pl.col("off_by_end").shift(1).over("drain_id", order_by="leak_no")
    counted = (
        leaks.filter(~pl.col("blip"))
        .with_columns(recurs=(off_since > 0).fill_null(False))
        .group_by("drain_id")
        .agg(recurrences=pl.col("recurs").sum(), last_end=pl.col("ended_at").max())
    )
    possible = (
        pl.concat([leaks.filter(may_be_a_leak(rules)), perhaps], how="diagonal")
        .group_by("drain_id")
        .agg(end_latest_at=pl.coalesce("end_latest_at", "ended_at").max())
    )
    last_on = leaks.group_by("drain_id").agg(seen_on_until=pl.col("ended_at").max())
    ongoing = pl.col("ongoing")
    leaked, none = pl.col("last_end").is_not_null(), pl.col("end_latest_at").is_null()
    to_removal = pl.col("tube_out_at") - pl.col("last_known") - _MINUTE
    planned = (pl.col("removal_reason") == RemovalReason.PLANNED.value) & (
        to_removal <= pl.duration(minutes=round(removal_window * 60))
    )
    seen_last = pl.col("in_doubt_until").is_null() | (pl.col("in_doubt_until") <= pl.col("last_known"))
    confirmed = (pl.col("off_behind") >= rules.confirm) | (planned.fill_null(False) & seen_last)
    ended = leaked & ~ongoing & confirmed
    span = (pl.col("last_known") + _MINUTE - pl.col("origin_at")).dt.total_minutes()
    from_origin = (
        (pl.col("first_known") - pl.col("origin_at") <= pl.duration(minutes=rules.late_entry))
        & (pl.col("minutes_known") >= watched.watched_share * span)
        & confirmed
    )
    lasted = hours(pl.col("last_end") - pl.col("origin_at"))
    return (
        drains.join(seen, on="drain_id", how="left")
        .join(in_doubt, on="drain_id", how="left")
        .with_columns(
            off_behind=pl.min_horizontal("off_behind", pl.col("minutes_off") - pl.col("off_by_doubt"))
        )
        .join(counted, on="drain_id", how="left")
        .join(possible, on="drain_id", how="left")
        .join(last_on, on="drain_id", how="left")
        .select(
            "drain_id",
            "first_known",
            "last_known",
            "off_behind",
            leak_ended_at=pl.when(ended).then("last_end"),
            leak_end_earliest_at=pl.when(ongoing).then("seen_on_until").when(leaked).then("last_end"),
            leak_end_latest_at=pl.when(ended).then("end_latest_at"),
            leak_recurrences=pl.when(ongoing.is_not_null()).then(
                pl.col("recurrences").fill_null(0).cast(pl.Int32)
            ),
            leak_hours=pl.when(ended)
            .then(pl.max_horizontal(lasted, pl.lit(0.0)))
            .when(none & ~ongoing & from_origin)
            .then(0.0),
            leak_ongoing_at_end=ongoing,
        )
    )
