"""The same drains judged by several definitions of a prolonged leak, side by side."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.cohort.leak import begun_within, leak_outcome, leak_stretches, leaks_of, numbered
from pipeline.cohort.leak_doubt import doubtful_leaks
from pipeline.cohort.origin import with_threshold
from pipeline.cohort.prolonged import prolonged_leak
from pipeline.cohort.steps import doubted_end
from pipeline.definitions import Definitions, LeakRules, ProlongedLeakRules
from schemas.published import DRAIN_OUTCOME

_LEAK_ON = pl.col("leak_median_ml_min")


@dataclass(frozen=True)
class Judgement:
    """A definition of a prolonged leak, the figures of a leak it rests on, and what was moved in it."""

    name: str
    moved: str | None
    definition: ProlongedLeakRules
    leak: LeakRules


@dataclass(frozen=True)
class Outcomes:
    """
    What came of judging: `drains` with the columns of the published definition, `leaks` of that definition
    (from `leaks_of`), and `drain_outcome` (DRAIN_OUTCOME), a row a drain and definition.
    """

    drains: pl.DataFrame
    leaks: pl.DataFrame
    drain_outcome: pl.DataFrame


def judgements(definitions: Definitions) -> tuple[Judgement, ...]:
    """
    The definitions of `[[prolonged_leak]]`, then the first of them with one figure moved: `[[sensitivity]]`.

    Examples
    --------
    >>> from pipeline.definitions import load_definitions
    >>> [j.name for j in judgements(load_definitions())][:4]
    ['more_than_5_days', 'more_than_7_days', 'past_postoperative_day_5', 'strict']
    """
    published = definitions.prolonged_leak[0]
    found = [Judgement(one.name, None, one, definitions.leak) for one in definitions.prolonged_leak]
    for entry in definitions.sensitivity:
        section, _, figure = entry.moves.partition(".")
        moved = f"{entry.moves} = {entry.to:g}"
        if section == "leak":
            rules = LeakRules.model_validate(definitions.leak.model_dump() | {figure: entry.to})
            found.append(Judgement(entry.name, moved, published, rules))
        else:
            changed = ProlongedLeakRules.model_validate(published.model_dump() | {figure: entry.to})
            found.append(Judgement(entry.name, moved, changed, definitions.leak))
    return tuple(found)


def judge(
    minutes: pl.DataFrame,
    drains: pl.DataFrame,
    doubt: Callable[[ProlongedLeakRules], pl.DataFrame],
    definitions: Definitions,
    unresolved: pl.DataFrame | None = None,
) -> Outcomes:
    """
    Judge drains by every definition, in one pass over their minutes for each limit of the leak.

    A moved figure changes only what is made of the leak m(t) and of the assessable minutes. The course itself
    (which minutes are assessable, whether breathing is seen) stands as published.

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
    seen: dict[float, pl.DataFrame] = {}
    doubts: dict[float, pl.DataFrame] = {}
    tables: list[pl.DataFrame] = []
    first: tuple[pl.DataFrame, pl.DataFrame] | None = None
    for one in judgements(definitions):
        limit = one.leak.on_above
        if limit not in seen:
            seen[limit] = leak_stretches(_on_above(minutes, limit, definitions.leak.on_above), one.leak)
        if one.definition.set_back not in doubts:
            doubts[one.definition.set_back] = doubt(one.definition)
        by_clock = doubts[one.definition.set_back]
        judged, leaks = _judged(seen[limit], drains, by_clock, unresolved, one, definitions)
        if first is None:
            first = judged, leaks
        tables.append(judged.with_columns(definition=pl.lit(one.name), moved=pl.lit(one.moved, pl.String)))
    assert first is not None
    rows = pl.concat([DRAIN_OUTCOME.conform(table) for table in tables])
    return Outcomes(first[0].drop("threshold_at"), first[1], rows.sort(DRAIN_OUTCOME.key))


def _judged(
    stretches: pl.DataFrame,
    drains: pl.DataFrame,
    doubt: pl.DataFrame,
    unresolved: pl.DataFrame,
    one: Judgement,
    definitions: Definitions,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    known = numbered(stretches, one.leak)
    within, limits = one.definition.begins_within, None
    if within is not None:
        known = begun_within(known, drains, within, one.leak)
        limit = pl.col("origin_at") + pl.duration(minutes=round(within * 60))
        limits = drains.select("drain_id", limit_at=limit)
    leaks = leaks_of(known)
    perhaps = doubtful_leaks(unresolved, known, leaks, one.leak, limits)
    window = one.definition.removal_window
    outcome = leak_outcome(drains, known, leaks, one.leak, definitions.drain, window, perhaps)
    told = (
        with_threshold(drains, one.definition)
        .join(outcome, on="drain_id", how="left")
        .join(doubt, on="drain_id", how="left")
    )
    verdict = prolonged_leak(told, known, leaks, one.definition, one.leak, perhaps)
    doubted = doubted_end(told, one.leak)
    return doubted.join(verdict, on="drain_id", how="left").sort("drain_id"), leaks


def _on_above(minutes: pl.DataFrame, limit: float, published: float) -> pl.DataFrame:
    """The minutes with the leak on above another limit than the course's own."""
    needed: Sequence[str] = ("drain_id", "minute", "known", "leak_on")
    if limit == published:
        return minutes.select(needed)
    return minutes.with_columns(leak_on=(limit < _LEAK_ON) & pl.col("assessable")).select(needed)
