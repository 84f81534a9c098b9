"""What was seen of a drain's leak around the threshold τ: the facts that `prolonged` decides by."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.holding import whole_minute
from pipeline.cohort.judgements import LEAK_KEY
from pipeline.cohort.leak import may_be_a_leak

MINUTE = pl.duration(minutes=1)
WINDOW = pl.duration(minutes="removal_window")


def seen_around(
    looks: pl.DataFrame, known: pl.DataFrame, leaks: pl.DataFrame, doubtful: pl.DataFrame
) -> pl.DataFrame:
    """
    What each look at a drain has to decide by: the table of `prolonged` rests on these facts and no others.

    Parameters
    ----------
    looks
        Cases as for `prolonged_leak`, with `shift`: by how many minutes τ is moved.
    known, leaks, doubtful
        From `leak_stretches`, `leaks_of` and `doubtful_leaks`.

    Returns
    -------
    The looks, with `tau` and `until` (removal, else the end of the log). Of the leaks: `spans` (one spans τ),
    `edge_in_hole` (one began or ended in a hole with τ in it), `possibly_on_until`, `ends_in_doubt`. Minutes
    after τ: `on_after` (in leaks), `maybe_on_after` (in what may be one), `doubtful_after`, `off_after`,
    `known_after` (up to `until`), `known_in_window` (before the removal), `span_after` (all up to `until`);
    and `first_on_after`, the first minute on.
    """
    times = looks.lazy().with_columns(
        tau=pl.col("threshold_at") + pl.duration(minutes="shift"),
        until=pl.coalesce("tube_out_at", pl.col("ended_at") + MINUTE),
    )
    # Definitions with the same leaks, τ and window see the same of a drain: that is looked at once.
    seen = [*LEAK_KEY, "tau", "removal_window"]
    edges = times.select(*seen, "until", "tube_out_at").unique(seen)
    # What was on at the first known minute may have been on since the origin.
    since = pl.coalesce("start_earliest_at", pl.min_horizontal("origin_at", "started_at"))
    origins = looks.lazy().select("drain_id", "origin_at").unique("drain_id")
    possible = (
        leaks.lazy()
        .join(origins, on="drain_id")
        .with_columns(start_earliest_at=since)
        .filter(may_be_a_leak())
    )
    perhaps = doubtful.lazy().join(origins, on="drain_id").with_columns(start_earliest_at=since)
    tau = pl.col("tau")
    starts, ends = pl.col("started_at"), pl.col("ended_at")
    earliest = pl.coalesce("start_earliest_at", "started_at")
    latest = pl.coalesce("end_latest_at", "ended_at")
    spans = (starts < tau) & (ends > tau) & ~pl.col("blip")
    by_leak = (
        pl.concat([possible, perhaps], how="diagonal")
        .join(edges, on=LEAK_KEY)
        .group_by(seen)
        .agg(
            spans=spans.any(),
            edge_in_hole=((earliest < tau) & (latest > tau) & ~spans).any(),
            possibly_on_until=latest.max(),
            ends_in_doubt=(pl.col("leak_no").is_null() & pl.col("end_latest_at").is_null()).any(),
            doubtful_after=pl.when(pl.col("leak_no").is_null() & (ends > tau)).then("minutes_on").sum(),
        )
    )
    told = possible.select(*LEAK_KEY, "leak_no", possible=pl.lit(True))
    on = (pl.col("on") & ~pl.col("blip")).fill_null(False)
    maybe_on = (pl.col("on") & pl.col("possible")).fill_null(False)
    out, until = whole_minute("tube_out_at"), whole_minute("until")
    late = pl.col("after") > 0
    by_minute = (
        known.lazy()
        .select(*LEAK_KEY, "leak_no", "started_at", "ended_at", "on", "blip")
        .join(told, on=[*LEAK_KEY, "leak_no"], how="left")
        .join(edges, on=LEAK_KEY)
        .with_columns(since=whole_minute("tau"))
        .with_columns(
            after=_minutes_between(pl.col("since"), pl.col("ended_at")),
            to_end=_minutes_between(pl.col("since"), until),
            in_window=_minutes_between(pl.max_horizontal(pl.col("since"), out - WINDOW), out),
        )
        .group_by(seen)
        .agg(
            on_after=pl.col("after").filter(on).sum(),
            first_on_after=pl.max_horizontal("started_at", "since").filter(on & late).min(),
            maybe_on_after=pl.col("after").filter(maybe_on).sum(),
            off_after=pl.col("after").filter(~pl.col("on")).sum(),
            known_after=pl.col("to_end").sum(),
            known_in_window=pl.col("in_window").sum(),
        )
    )
    zero = ("doubtful_after", "on_after", "maybe_on_after", "off_after", "known_after", "known_in_window")
    return (
        times.join(by_leak, on=seen, how="left", nulls_equal=True)
        .join(by_minute, on=seen, how="left", nulls_equal=True)
        .with_columns(
            *(pl.col(name).fill_null(0).cast(pl.Int64) for name in zero),
            spans=pl.col("spans").fill_null(False),
            edge_in_hole=pl.col("edge_in_hole").fill_null(False),
            ends_in_doubt=pl.col("ends_in_doubt").fill_null(False),
            span_after=(pl.col("until") - tau).dt.total_minutes(),
        )
        .collect()
    )


def _minutes_between(since: pl.Expr, until: pl.Expr) -> pl.Expr:
    """How many minutes of a stretch start in [since, until); null where an end is not known."""
    last = pl.min_horizontal(pl.col("ended_at"), until)
    first = pl.max_horizontal(pl.col("started_at"), since)
    told = since.is_not_null() & until.is_not_null()
    return pl.when(told).then((last - first).dt.total_minutes().clip(lower_bound=0))
