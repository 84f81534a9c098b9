"""Prolonged-leak rates and leak durations by any column of the registry, from a loaded ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from flows.loading.derive import claims_now
from flows.loading.stale import read_ward
from pipeline.cohort import counted_outcomes
from pipeline.cohort.grouping import BY, column_meant, group_of
from pipeline.cohort.small_groups import suppressed_groups
from pipeline.cohort.strata import EVERYBODY, leak_by_stratum, leak_comparison
from pipeline.cohort.survival import leak_times
from pipeline.definitions import Definitions, load_definitions
from pipeline.store import Home
from schemas.errors import CallError, InputError
from schemas.published import DRAIN, DRAIN_OUTCOME

_OF_DEFINITION = (
    "prolonged_leak",
    "prolonged_leak_reason",
    "leak_hours",
    "leak_end_earliest_at",
    "leak_ongoing_at_end",
)


# What of the test goes where the number watched is hidden: of any row, or of a group that it takes.
_OF_TEST = {"watched": "all", "chi_square": "groups", "p_value": "groups"}


@dataclass(frozen=True)
class Compared:
    """
    `strata`: LEAK_BY_STRATUM, everybody first; `test`: LEAK_COMPARISON, a row; `definition`: its name.
    `hidden`: columns of the test that are not told, for they rest on small counts.
    """

    strata: pl.DataFrame
    test: pl.DataFrame
    definition: str
    hidden: tuple[str, ...] = ()


def run_outcomes(
    home: Home,
    by: str,
    cuts: Sequence[float] | None = None,
    definition: str | None = None,
    definitions: Definitions | None = None,
) -> Compared:
    """
    Compare groups of operations (drains where patients are not known) by a column of the registry.

    An operation's group is that of its first drain with something recorded; those without are a group of
    their own, which no test counts.

    Parameters
    ----------
    definition
        Name of a definition in `drain_outcome`; without, the published one.

    Raises
    ------
    CallError
        Where there is no such column or definition, or the cuts do not fit.
    InputError
        Where no drain is loaded.
    """
    known = definitions or load_definitions()
    if by not in BY:
        raise CallError(f"outcomes: --by {by}: no such column; {column_meant(by)}")
    drain = home.lake.scan(DRAIN).collect().sort("drain_id")
    if drain.is_empty():
        raise InputError(f"home {home.root}: no drains are loaded; load files first.")
    name = definition or known.prolonged_leak[0].name
    outcome = home.lake.scan(DRAIN_OUTCOME).filter(pl.col("definition") == name).collect()
    if outcome.is_empty():
        raise CallError(f"outcomes: --definition {name}: there is none; see `definition` in drain_outcome.")
    paper = claims_now(home, read_ward(home)).drains.select("drain_id", group=by)
    judged = drain.drop(_OF_DEFINITION).join(outcome.select("drain_id", *_OF_DEFINITION), on="drain_id")
    told = judged.join(paper, on="drain_id", how="left").with_columns(
        counted_id=pl.coalesce("operation_id", "drain_id")
    )
    firsts = (
        told.sort("counted_id", "tube_in_at", "drain_id", nulls_last=True)
        .group_by("counted_id", maintain_order=True)
        .agg(pl.col("group").drop_nulls().first())
    )
    groups = firsts.select("counted_id", stratum=group_of(firsts["group"].alias(by), cuts))
    counted = counted_outcomes(drain, outcome).join(groups, on="counted_id", how="left")
    times = leak_times(judged, known.leak.late_entry).join(groups, on="counted_id", how="left")
    whole = pl.lit(EVERYBODY)
    everybody = leak_by_stratum(
        counted.with_columns(stratum=whole), times.with_columns(stratum=whole), EVERYBODY, known.statistics
    )
    return Compared(
        pl.concat([everybody, leak_by_stratum(counted, times, by, known.statistics)]),
        leak_comparison(times, by),
        name,
    )


def suppressed(compared: Compared, least: int) -> Compared:
    """
    For aggregates that leave the house: without small counts, as `suppressed_groups` says.

    Of the test, the number watched goes where that of a group or of everybody does: it would tell it. Its
    statistic and chance go where a group that it takes is hidden: of two groups of which one is told, they
    tell the other.
    """
    strata, groups = suppressed_groups(compared.strata, least), pl.col("grouped_by") != EVERYBODY
    all_told = strata["watched"].null_count() == compared.strata["watched"].null_count()
    named = groups & pl.col("stratum").is_not_null()
    told, known = (frame.filter(named)["watched"].null_count() for frame in (strata, compared.strata))
    hidden = [name for name, gone in _OF_TEST.items() if (not all_told if gone == "all" else told > known)]
    nothing = (pl.lit(None, compared.test.schema[name]).alias(name) for name in hidden)
    return Compared(strata, compared.test.with_columns(nothing), compared.definition, tuple(hidden))
