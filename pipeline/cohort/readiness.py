"""When a removal rule would have held, and what happened after: looking back, never advice."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.cohort.quantities import hours, steps_per_unit
from pipeline.cohort.rules import RemovalRule
from pipeline.definitions import Definitions
from schemas.published import READINESS
from schemas.vocabulary import PeriodKind, State, Verdict

_DRAIN = "drain_id"
_STOPS = (
    PeriodKind.CLAMPED,
    PeriodKind.LINE_OPEN,
    PeriodKind.FLOW_STOPPED,
    PeriodKind.OCCLUSION_SUSPECTED,
)


def readiness(
    minutes: pl.DataFrame, drains: pl.DataFrame, definitions: Definitions, rules: Sequence[RemovalRule]
) -> pl.DataFrame:
    """
    Apply removal rules to drains (READINESS): one row a drain and rule.

    Every window trails: what a minute says rests on that minute and those before. A rule's clock runs over
    observed, running minutes with a leak reading; it stops while the line is clamped, open, paused,
    stopped or suspected blocked, for a blocked tube looks dry and tight. The flags are those of the
    course, which needs up to an hour to tell a clamp and half an hour to suspect an occlusion, and the
    fluid is the course's fitted one: to that extent the rule knows more than the bedside did.

    `ready_since_at` is the start of the unbroken stretch, on the rule's clock, up to the end of the log,
    where the log reaches within `readiness.log_within` of a known removal. `removed_before_ready` is null
    where the log does not, and where it begins late and never shows the rule fulfilled.
    `leak_returned_within_24h` looks at m(t) above the greater of the rule's limit and
    `readiness.return_above`, for `readiness.return_least` minutes after `ready_at`; it is false only where
    `drain.watched_share` of the time was assessable.

    Parameters
    ----------
    minutes
        From `drain_minutes` with `fluid`, sorted by drain and minute.
    drains
        `drain_id`, `origin_at`, `tube_out_at`, `ended_at`, `entered_hours`.
    """
    if not rules or minutes.is_empty():
        return _none_ready(drains, rules)
    clock = _on_the_clock(minutes, drains, definitions, rules)
    firsts = _first_and_last(clock, rules)
    known = drains.join(firsts, on=_DRAIN, how="left").sort(_DRAIN)
    returns = _returns(minutes, known, definitions, rules)
    known = known.join(returns, on=_DRAIN, how="left")
    parts = [_of_rule(known, number, rule, definitions) for number, rule in enumerate(rules)]
    return READINESS.conform(pl.concat(parts)).sort(_DRAIN, "rule")


def _on_the_clock(
    minutes: pl.DataFrame, drains: pl.DataFrame, definitions: Definitions, rules: Sequence[RemovalRule]
) -> pl.DataFrame:
    """The minutes on the rules' clock, each with a boolean `ready_<i>` per rule."""
    running = pl.col("state") == State.RUN.value
    stopped = (
        pl.col("observed") & ~running | pl.any_horizontal(pl.col(kind.value) for kind in _STOPS)
    ).fill_null(False)
    present = pl.col("observed") & (pl.col("tidaling") == Verdict.PRESENT.value)
    per_ml = steps_per_unit(definitions.resolution.volume)
    trailing = (
        minutes.lazy()
        .select(
            _DRAIN,
            "minute",
            leak="air_leak_ml_min",
            counts=pl.col("observed") & ~stopped & pl.col("air_leak_ml_min").is_not_null(),
            stopped_so_far=stopped.cast(pl.Int32).cum_sum().over(_DRAIN),
            fluid=pl.col("fluid").forward_fill().over(_DRAIN),
            read_at=pl.when(pl.col("volume_read") & pl.col("fluid").is_not_null())
            .then("minute")
            .forward_fill()
            .over(_DRAIN),
            swung_at=pl.when(present).then("minute").forward_fill().over(_DRAIN),
            swing_basis=pl.when(present).then("tidaling_basis").forward_fill().over(_DRAIN),
        )
        .collect()
    )
    clock = trailing.filter("counts").drop("counts")
    for span in sorted({rule.output_hours for rule in rules if rule.output_hours is not None}):
        past = trailing.select(_DRAIN, at="minute", past="fluid").filter(pl.col("past").is_not_null())
        clock = (
            clock.with_columns(at=pl.col("minute") - pl.duration(minutes=round(span * 60)))
            .join_asof(past, on="at", by=_DRAIN, strategy="backward", check_sortedness=False)
            .with_columns((pl.col("fluid") - pl.col("past")).alias(_output_name(span)))
            .drop("at", "past")
        )
    fresh = pl.col("minute") - pl.col("read_at") <= pl.duration(minutes=definitions.readiness.reading_within)
    return (
        clock.lazy()
        .join(drains.lazy().select(_DRAIN, "origin_at"), on=_DRAIN, maintain_order="left")
        .with_columns(number=pl.int_range(1, pl.len() + 1).over(_DRAIN))
        .with_columns(
            _ready(rule, fresh, per_ml).fill_null(False).alias(f"ready_{i}") for i, rule in enumerate(rules)
        )
        .collect()
    )


def _ready(rule: RemovalRule, fresh: pl.Expr, per_ml: int) -> pl.Expr:
    window = round(rule.leak_hours * 60)
    most = rule.excursion_up_to if rule.excursion_minutes else rule.leak_at_most
    too_much, excursion = pl.col("leak") > most, pl.col("leak") > rule.leak_at_most
    first = pl.col("minute").shift(window - 1).over(_DRAIN)
    elapsed = (pl.col("minute") - first).dt.total_minutes() + 1
    halted = pl.col("stopped_so_far") - pl.col("stopped_so_far").shift(window - 1).over(_DRAIN)
    clauses = [
        pl.col("number") >= window,
        _trailing(too_much, window) == 0,
        _trailing(excursion, window) <= rule.excursion_minutes,
        window >= rule.completeness_at_least * (elapsed - halted),
        pl.col("minute") >= pl.col("origin_at") + pl.duration(minutes=round(rule.earliest_hours * 60)),
    ]
    if rule.output_hours is not None and rule.output_at_most is not None:
        clauses += [fresh, pl.col(_output_name(rule.output_hours)) <= round(rule.output_at_most * per_ml)]
    if rule.tidaling_within_hours is not None:
        within = pl.duration(minutes=round(rule.tidaling_within_hours * 60))
        clauses.append(pl.col("minute") - pl.col("swung_at") <= within)
    return pl.all_horizontal(clauses)


def _trailing(what: pl.Expr, window: int) -> pl.Expr:
    """How many of the last `window` minutes of the clock, this one included."""
    so_far = what.cast(pl.Int32).cum_sum()
    return (so_far - so_far.shift(window).fill_null(0)).over(_DRAIN)


def _first_and_last(clock: pl.DataFrame, rules: Sequence[RemovalRule]) -> pl.DataFrame:
    wanted: list[pl.Expr] = []
    for i, rule in enumerate(rules):
        ready, minute = pl.col(f"ready_{i}"), pl.col("minute")
        not_ready_until = minute.filter(~ready).max()
        wanted += [
            minute.filter(ready).min().alias(f"at_{i}"),
            minute.filter(ready & ((minute > not_ready_until) | not_ready_until.is_null()))
            .min()
            .alias(f"since_{i}"),
            pl.col("swing_basis").filter(ready).first().alias(f"basis_{i}"),
        ]
        if rule.output_hours is not None:
            wanted.append(pl.col(_output_name(rule.output_hours)).filter(ready).first().alias(f"output_{i}"))
    return clock.lazy().group_by(_DRAIN, maintain_order=True).agg(wanted).collect()


def _returns(
    minutes: pl.DataFrame, known: pl.DataFrame, definitions: Definitions, rules: Sequence[RemovalRule]
) -> pl.DataFrame:
    within = pl.duration(minutes=round(definitions.readiness.return_within * 60))
    wanted: list[pl.Expr] = []
    for i, rule in enumerate(rules):
        after = (pl.col("minute") > pl.col(f"at_{i}")) & (pl.col("minute") <= pl.col(f"at_{i}") + within)
        seen = (after & pl.col("assessable") & pl.col("leak_median_ml_min").is_not_null()).fill_null(False)
        above = pl.col("leak_median_ml_min") > max(definitions.readiness.return_above, rule.leak_at_most)
        wanted += [seen.sum().alias(f"seen_{i}"), (seen & above).sum().alias(f"above_{i}")]
    ready_at = known.select(_DRAIN, *(f"at_{i}" for i in range(len(rules))))
    return (
        minutes.lazy()
        .select(_DRAIN, "minute", "assessable", "leak_median_ml_min")
        .join(ready_at.lazy(), on=_DRAIN)
        .group_by(_DRAIN)
        .agg(wanted)
        .collect()
    )


def _of_rule(known: pl.DataFrame, i: int, rule: RemovalRule, definitions: Definitions) -> pl.DataFrame:
    out, at = pl.col("tube_out_at"), pl.col(f"at_{i}")
    within = pl.duration(minutes=round(definitions.readiness.log_within * 60))
    reaches = (pl.col("ended_at") + pl.duration(minutes=1) >= out - within).fill_null(False)
    since = pl.when(reaches).then(pl.col(f"since_{i}"))
    whole = pl.col("entered_hours") * 60 <= definitions.leak.late_entry
    span = definitions.readiness.return_within * 60
    returned = pl.col(f"above_{i}") >= definitions.readiness.return_least
    watched = pl.col(f"seen_{i}") >= definitions.drain.watched_share * span
    return known.select(
        _DRAIN,
        rule=pl.lit(rule.name),
        ready_at=at,
        ready_since_at=since,
        ready_basis=pl.when(at.is_not_null()).then(_basis(i, rule, definitions)),
        hours_ready_before_removal=hours(out - since),
        removed_before_ready=pl.when(at.is_not_null() & out.is_not_null())
        .then(False)
        .when(reaches & whole)
        .then(True),
        leak_returned_within_24h=pl.when(at.is_null())
        .then(None)
        .when(returned)
        .then(True)
        .when(watched)
        .then(False),
    )


def _basis(i: int, rule: RemovalRule, definitions: Definitions) -> pl.Expr:
    """In words, what was there at `ready_at`."""
    parts = [pl.lit(f"leak over {rule.leak_hours:g} h")]
    if rule.output_hours is not None:
        per_ml = steps_per_unit(definitions.resolution.volume)
        amount = (pl.col(f"output_{i}") / per_ml).round(0).cast(pl.Int64)
        parts.append(pl.format("{} mL in " + f"{rule.output_hours:g} h", amount))
    if rule.tidaling_within_hours is not None:
        parts.append(pl.format("tidaling seen by {}", pl.col(f"basis_{i}").fill_null("log")))
    return pl.concat_str(parts, separator="; ")


def _none_ready(drains: pl.DataFrame, rules: Sequence[RemovalRule]) -> pl.DataFrame:
    names = pl.DataFrame({"rule": [rule.name for rule in rules]}, schema={"rule": pl.String})
    return READINESS.conform(drains.select(_DRAIN).join(names, how="cross")).sort(_DRAIN, "rule")


def _output_name(span: float) -> str:
    return f"output_over_{span:g}_h"
