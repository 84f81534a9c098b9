"""The same drains judged by several definitions of a prolonged leak, side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.cohort.judgements import CASE_KEY, Judgement, figures_of, judgements, leak_sets
from pipeline.cohort.leak import begun_within, leak_outcome, leak_stretches, leaks_of
from pipeline.cohort.leak_doubt import doubtful_leaks
from pipeline.cohort.origin import with_threshold
from pipeline.cohort.prolonged import prolonged_leak
from pipeline.cohort.steps import doubted_end
from pipeline.course.leak import leak_on_above
from pipeline.definitions import Definitions, ProlongedLeakRules
from schemas.published import DRAIN_OUTCOME

# What a verdict rests on of a drain beside its minutes.
_OF_DRAINS = (
    "drain_id",
    "origin_at",
    "origin_day",
    "timezone",
    "started_at",
    "ended_at",
    "tube_out_at",
    "removal_reason",
    "clock_uncertain",
    "later_session",
    "last_export_at",
)


@dataclass(frozen=True)
class Outcomes:
    """
    What came of judging: `drains` with the columns of the published definition, `leaks` of that definition
    (from `leaks_of`), and `drain_outcome` (DRAIN_OUTCOME), a row a drain and definition.
    """

    drains: pl.DataFrame
    leaks: pl.DataFrame
    drain_outcome: pl.DataFrame


def judge(
    minutes: pl.DataFrame,
    drains: pl.DataFrame,
    doubt: Callable[[ProlongedLeakRules], pl.DataFrame],
    definitions: Definitions,
    unresolved: pl.DataFrame | None = None,
) -> Outcomes:
    """
    Judge drains by every definition, in one pass over their minutes for each limit of the leak.

    What the minutes say is looked at once for each set of the leak's figures; all definitions then decide
    side by side, as expressions over one frame with a row a drain and definition. A moved figure changes only
    what is made of the leak m(t) and of the assessable minutes. The course itself (which minutes are
    assessable, whether breathing is seen) stands as published.

    Parameters
    ----------
    minutes
        From `drain_minutes`.
    drains
        What `prolonged_leak` needs but for the leak's columns, with `origin_day` and `timezone`.
    doubt
        From a definition to `clock_doubt`'s frame.
    unresolved
        From `unresolved_stretches`; without it there are none.
    """
    if unresolved is None:
        unresolved = drains.select("drain_id", started_at="origin_at", ended_at="origin_at").clear()
    judged_by = judgements(definitions)
    figures = figures_of(judged_by)
    sets = leak_sets(figures)
    of_limits = [
        leak_stretches(_on_above(minutes, limit, definitions.leak.on_above), some)
        for (limit,), some in sets.group_by("on_above", maintain_order=True)
    ]
    known = begun_within(pl.concat(of_limits), drains)
    leaks = leaks_of(known)
    perhaps = doubtful_leaks(unresolved, known, leaks, sets, drains)
    cases = with_threshold(drains.select(_OF_DRAINS).join(figures, how="cross"))
    told = cases.join(
        leak_outcome(cases, known, leaks, definitions.drain, perhaps), on=CASE_KEY, how="left"
    ).join(_by_clock(doubt, judged_by), on=CASE_KEY, how="left")
    verdict = prolonged_leak(told, known, leaks, perhaps)
    judged = doubted_end(told).join(verdict, on=CASE_KEY, how="left")
    published = judged.filter(definition=judged_by[0].name).drop("threshold_at", *figures.columns)
    found = published.select("drain_id", pl.exclude(*drains.columns))
    return Outcomes(
        drains.join(found, on="drain_id", how="left").sort("drain_id"),
        leaks.filter(leak_set=0),
        DRAIN_OUTCOME.conform(judged).sort(DRAIN_OUTCOME.key),
    )


def _by_clock(
    doubt: Callable[[ProlongedLeakRules], pl.DataFrame], judged_by: Sequence[Judgement]
) -> pl.DataFrame:
    """What the clock leaves in doubt, for each definition; those with one `set_back` share it."""
    doubts: dict[float, pl.DataFrame] = {}
    for one in judged_by:
        if one.definition.set_back not in doubts:
            doubts[one.definition.set_back] = doubt(one.definition)
    return pl.concat(
        [doubts[one.definition.set_back].with_columns(definition=pl.lit(one.name)) for one in judged_by]
    )


def _on_above(minutes: pl.DataFrame, limit: float, published: float) -> pl.DataFrame:
    """The minutes with the leak on above another limit than the course's own."""
    if limit == published:
        return minutes.select("drain_id", "minute", "known", "leak_on")
    on = leak_on_above(limit)
    return minutes.select(
        "drain_id",
        "minute",
        known=pl.col("assessable") & on.is_not_null(),
        leak_on=on & pl.col("assessable"),
    )
