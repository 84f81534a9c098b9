"""The leaks of a drain: when they were on, when the last one ended, and how sure that is."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.judgements import CASE_KEY, LEAK_KEY
from pipeline.cohort.quantities import hours
from pipeline.definitions import DrainRules
from schemas.vocabulary import RemovalReason

_MINUTE = pl.duration(minutes=1)
_FIGURES = ("join_below", "blip_below", "begins_within")


def leak_stretches(minutes: pl.DataFrame, sets: pl.DataFrame) -> pl.DataFrame:
    """
    The minutes of each drain that say whether the leak was on, as unbroken stretches, numbered by leak.

    On-stretches less than `join_below` apart are one leak. Further apart they are two, also where
    nothing was seen in between: whether the leak went on through the hole, nobody can tell, and each of the
    two has an edge that may lie anywhere in it. A leak with fewer than `blip_below` minutes on in all
    is a blip.

    Parameters
    ----------
    minutes
        `drain_id`, `minute`, `known`, `leak_on`, sorted by drain and minute.
    sets
        From `leak_sets`, those whose limit `leak_on` is above. Each numbers the stretches for itself.

    Returns
    -------
    The known minutes, adjacent ones of one kind together, once for each set: `leak_set`, `drain_id`,
    `started_at`, `ended_at` (exclusive), `minutes`, `on`, `off_so_far` (minutes seen without leak up to its
    end), `before`, `after` (end and start of the stretches next to it), the set's figures, and for those with
    the leak on `leak_no` (from 1) and `blip`. Sorted.
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
        .drop("stretch")
    )
    return _numbered(stretches.join(sets.lazy().select("leak_set", *_FIGURES), how="cross")).collect()


def _numbered(stretches: pl.LazyFrame) -> pl.LazyFrame:
    """Stretches of known minutes (`started_at`, `ended_at`, `minutes`, `on`) numbered by leak."""
    known = stretches.sort(*LEAK_KEY, "started_at").select(
        *LEAK_KEY,
        "started_at",
        "ended_at",
        "minutes",
        "on",
        *_FIGURES,
        off_so_far=pl.when("on").then(0).otherwise("minutes").cast(pl.Int32).cum_sum().over(LEAK_KEY),
        before=pl.col("ended_at").shift(1).over(LEAK_KEY),
        after=pl.col("started_at").shift(-1).over(LEAK_KEY),
    )
    apart = pl.col("started_at") - pl.col("ended_at").shift(1).over(LEAK_KEY)
    new = (apart >= pl.duration(minutes="join_below")).fill_null(True)
    on = (
        known.filter(pl.col("on"))
        .with_columns(leak_no=new.cast(pl.Int32).cum_sum().over(LEAK_KEY))
        .with_columns(blip=pl.col("minutes").sum().over(*LEAK_KEY, "leak_no") < pl.col("blip_below"))
    )
    off = known.filter(~pl.col("on"))
    return pl.concat([on, off], how="diagonal").sort(*LEAK_KEY, "started_at")


def leaks_of(known: pl.DataFrame) -> pl.DataFrame:
    """
    One row a leak or blip of a drain.

    Parameters
    ----------
    known
        From `leak_stretches`.

    Returns
    -------
    `leak_set`, `drain_id`, `leak_no`, `started_at`, `ended_at` (exclusive; end of the last minute seen on),
    `minutes_on`, `blip`, `start_earliest_at` and `end_latest_at`: between what was seen on and the known
    minute next to it, the leak may have begun or ended anywhere; null where nothing was seen there;
    `off_before` and `off_by_end` (minutes seen without leak before it and up to its end); the set's figures.
    """
    return (
        known.lazy()
        .filter(pl.col("on"))
        .group_by(*LEAK_KEY, "leak_no")
        .agg(
            pl.col(_FIGURES).first(),
            started_at=pl.col("started_at").min(),
            ended_at=pl.col("ended_at").max(),
            minutes_on=pl.col("minutes").sum().cast(pl.Int32),
            blip=pl.col("blip").first(),
            start_earliest_at=pl.col("before").sort_by("started_at").first(),
            end_latest_at=pl.col("after").sort_by("started_at").last(),
            off_before=pl.col("off_so_far").min(),
            off_by_end=pl.col("off_so_far").max(),
        )
        .sort(*LEAK_KEY, "leak_no")
        .collect()
    )


def begun_within(known: pl.DataFrame, drains: pl.DataFrame) -> pl.DataFrame:
    """
    The stretches of `leak_stretches` with only those leaks on that began within so many hours of the origin.

    A leak that began later is off. One of which that cannot be told, for it began in a hole or before the
    log, is treated like a blip: it proves nothing either way. Sets that ask for no `begins_within` stay as
    they are.
    """
    asked = pl.col("begins_within").is_not_null()
    some = known.filter(asked)
    limit = pl.col("origin_at") + pl.duration(minutes="begins_within")
    earliest = pl.coalesce("start_earliest_at", pl.min_horizontal("origin_at", "started_at"))
    told = (
        leaks_of(some)
        .lazy()
        .join(drains.lazy().select("drain_id", "origin_at"), on="drain_id")
        .select(*LEAK_KEY, "leak_no", late=earliest >= limit, perhaps_late=pl.col("started_at") >= limit)
    )
    marked = some.lazy().join(told, on=[*LEAK_KEY, "leak_no"], how="left", maintain_order="left")
    kept = _numbered(marked.with_columns(on=pl.col("on") & ~pl.col("late").fill_null(False)))
    doubtful = marked.select(*LEAK_KEY, "started_at", "perhaps_late")
    within = (
        kept.join(doubtful, on=[*LEAK_KEY, "started_at"], how="left")
        .with_columns(blip=pl.col("blip") | (pl.col("on") & pl.col("perhaps_late")))
        .select(known.columns)
    )
    return pl.concat([known.lazy().filter(~asked), within]).sort(*LEAK_KEY, "started_at").collect()


def may_be_a_leak() -> pl.Expr:
    """
    Whether one of `leaks_of` is a leak, or a blip that the unseen minutes in and beside it could make one.
    """
    earliest = pl.coalesce("start_earliest_at", "started_at")
    latest = pl.coalesce("end_latest_at", "ended_at")
    seen_off = pl.col("off_by_end") - pl.col("off_before")
    return ~pl.col("blip") | ((latest - earliest).dt.total_minutes() - seen_off >= pl.col("blip_below"))


def leak_outcome(
    cases: pl.DataFrame,
    known: pl.DataFrame,
    leaks: pl.DataFrame,
    watched: DrainRules,
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

    An end is confirmed by `confirm` assessable leak-free minutes behind it, or by a planned removal
    at most `removal_window` hours after the last assessable minute.
    A recurrence is a leak before which, since the leak before, minutes were seen without. Where a blip may be
    a leak (`may_be_a_leak`), the last end may lie as late as its own, and nothing shows that there was none.
    Watched from the origin: the first assessable minute at most `late_entry` after it,
    `watched.watched_share` of the minutes up to the last assessable one assessable, and the leak's absence
    confirmed like an end. Where `leak_end_latest_at` lies after `leak_ended_at` the end fell into a hole;
    the earliest time is then the one given. An ongoing or unconfirmed leak is censored at
    `leak_end_earliest_at`. Blips count nowhere here, except that a leak on at the very end is ongoing
    however short.
    Where much air flowed and nobody can tell whether from the lung (`doubtful_leaks`), the last end may lie
    as late as that, is confirmed only by what was seen behind it, and nothing shows that there was no leak.

    Parameters
    ----------
    cases
        `definition`, `leak_set`, `drain_id`, `origin_at`, `tube_out_at`, `removal_reason`, and the
        definition's `confirm`, `late_entry` and `removal_window` (from `figures_of`).
    known, leaks
        From `leak_stretches` and `leaks_of`, for every set of the cases.
    doubtful
        From `doubtful_leaks`; without it there are none.

    Returns
    -------
    `definition`, `drain_id` and the leak columns of DRAIN, with `first_known`, `last_known`, `off_behind`
    (assessable leak-free minutes after the last minute with leak, or that may have been one).
    """
    perhaps = (leaks.clear() if doubtful is None else doubtful).lazy()
    held = leaks.lazy()
    in_doubt = perhaps.group_by(LEAK_KEY).agg(
        off_by_doubt=pl.col("off_by_end").max(), in_doubt_until=pl.col("ended_at").max()
    )
    seen = (
        known.lazy()
        .group_by(LEAK_KEY)
        .agg(
            first_known=pl.col("started_at").min(),
            last_known=pl.col("ended_at").max() - _MINUTE,
            ongoing=pl.col("on").sort_by("started_at").last(),
            minutes_known=pl.col("minutes").sum().cast(pl.Int64),
            minutes_off=pl.col("off_so_far").max(),
            off_behind=pl.col("off_so_far").max()
            - pl.col("off_so_far").filter(pl.col("on")).max().fill_null(0),
        )
    )
    off_since = pl.col("off_before") - pl.col("off_by_end").shift(1).over(LEAK_KEY, order_by="leak_no")
    counted = (
        held.filter(~pl.col("blip"))
        .with_columns(recurs=(off_since > 0).fill_null(False))
        .group_by(LEAK_KEY)
        .agg(recurrences=pl.col("recurs").sum(), last_end=pl.col("ended_at").max())
    )
    possible = (
        pl.concat([held.filter(may_be_a_leak()), perhaps], how="diagonal")
        .group_by(LEAK_KEY)
        .agg(end_latest_at=pl.coalesce("end_latest_at", "ended_at").max())
    )
    last_on = held.group_by(LEAK_KEY).agg(seen_on_until=pl.col("ended_at").max())
    ongoing = pl.col("ongoing")
    leaked, none = pl.col("last_end").is_not_null(), pl.col("end_latest_at").is_null()
    to_removal = pl.col("tube_out_at") - pl.col("last_known") - _MINUTE
    planned = (pl.col("removal_reason") == RemovalReason.PLANNED.value) & (
        to_removal <= pl.duration(minutes="removal_window")
    )
    seen_last = pl.col("in_doubt_until").is_null() | (pl.col("in_doubt_until") <= pl.col("last_known"))
    confirmed = (pl.col("off_behind") >= pl.col("confirm")) | (planned.fill_null(False) & seen_last)
    ended = leaked & ~ongoing & confirmed
    span = (pl.col("last_known") + _MINUTE - pl.col("origin_at")).dt.total_minutes()
    from_origin = (
        (pl.col("first_known") - pl.col("origin_at") <= pl.duration(minutes="late_entry"))
        & (pl.col("minutes_known") >= watched.watched_share * span)
        & confirmed
    )
    lasted = hours(pl.col("last_end") - pl.col("origin_at"))
    facts = cases.lazy()
    for found in (seen, in_doubt, counted, possible, last_on):
        facts = facts.join(found, on=LEAK_KEY, how="left")
    return (
        facts.with_columns(
            off_behind=pl.min_horizontal("off_behind", pl.col("minutes_off") - pl.col("off_by_doubt"))
        )
        .select(
            *CASE_KEY,
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
        .collect()
    )
