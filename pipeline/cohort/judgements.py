"""Definitions of a prolonged leak side by side, and the figures each of them moves, as one frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.definitions import Definitions, LeakRules, ProlongedLeakRules

# A drain by one set of the figures that make leaks of its minutes; several definitions share a set.
LEAK_KEY = ("leak_set", "drain_id")
LEAK_SET = ("on_above", "join_below", "blip_below", "begins_within")
# A drain as one definition judges it.
CASE_KEY = ("definition", "drain_id")

_TYPES: dict[str, pl.DataType] = {
    "definition": pl.String(),
    "moved": pl.String(),
    "on_above": pl.Float64(),
    "join_below": pl.Int64(),
    "blip_below": pl.Int64(),
    "confirm": pl.Int64(),
    "late_entry": pl.Int64(),
    "clock_doubt": pl.Int64(),
    "threshold": pl.Int64(),
    "through_day": pl.Int64(),
    "begins_within": pl.Int64(),
    "leak_after": pl.Int64(),
    "watched_share": pl.Float64(),
    "removal_window": pl.Int64(),
    "presumed_after": pl.Int64(),
    "set_back_at_most": pl.Int64(),
    "presume_removal": pl.Boolean(),
}


@dataclass(frozen=True)
class Judgement:
    """A definition of a prolonged leak, the figures of a leak it rests on, and what was moved in it."""

    name: str
    moved: str | None
    definition: ProlongedLeakRules
    leak: LeakRules


def judgements(definitions: Definitions) -> tuple[Judgement, ...]:
    """
    The definitions of `[[prolonged_leak]]`, then the first of them with one figure moved: `[[sensitivity]]`.

    Examples
    --------
    >>> from pipeline.definitions import load_definitions
    >>> moved = {judgement.name: judgement.moved for judgement in judgements(load_definitions())}
    >>> moved["more_than_7_days"], moved["strict"]
    (None, 'prolonged_leak.presume_removal = 0')
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


def figures_of(judged_by: Sequence[Judgement]) -> pl.DataFrame:
    """
    The figures of some definitions, a row each, so that all of them judge in one pass over the drains.

    Returns
    -------
    `definition`, `moved`, the figures of LeakRules and ProlongedLeakRules that judging asks for, all
    durations in minutes (`set_back_at_most` is the definition's `set_back`), and `leak_set`: the number, from
    0, of the first definition with the same figures of LEAK_SET.

    Examples
    --------
    >>> from pipeline.definitions import load_definitions
    >>> figures = figures_of(judgements(load_definitions()))
    >>> figures.select("definition", "threshold", "leak_set").rows()[:2]
    [('more_than_5_days', 7200, 0), ('more_than_7_days', 10080, 0)]
    """
    rows = [
        {
            "definition": one.name,
            "moved": one.moved,
            "on_above": one.leak.on_above,
            "join_below": one.leak.join_below,
            "blip_below": one.leak.blip_below,
            "confirm": one.leak.confirm,
            "late_entry": one.leak.late_entry,
            "clock_doubt": one.leak.clock_doubt,
            "threshold": _minutes(one.definition.threshold),
            "through_day": one.definition.through_day,
            "begins_within": _minutes(one.definition.begins_within),
            "leak_after": _minutes(one.definition.leak_after),
            "watched_share": one.definition.watched_share,
            "removal_window": _minutes(one.definition.removal_window),
            "presumed_after": _minutes(one.definition.presumed_after),
            "set_back_at_most": _minutes(one.definition.set_back),
            "presume_removal": one.definition.presume_removal,
        }
        for one in judged_by
    ]
    sets = [tuple(row[name] for name in LEAK_SET) for row in rows]
    numbers = pl.Series("leak_set", [sets.index(one) for one in sets], dtype=pl.Int32)
    return pl.DataFrame(rows, schema=_TYPES).with_columns(numbers)


def leak_sets(figures: pl.DataFrame) -> pl.DataFrame:
    """Of `figures_of`, the figures that make leaks of minutes: `leak_set` and LEAK_SET, each set once."""
    return figures.select("leak_set", *LEAK_SET).unique("leak_set", keep="first", maintain_order=True)


def _minutes(hours: float | None) -> int | None:
    return None if hours is None else round(hours * 60)
