"""Prolonged-leak rates and leak durations by group, and whether the groups differ."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from pipeline.cohort.curves import (
    aalen_johansen,
    free_of_either,
    kaplan_meier,
    log_rank,
    median_time,
    reaches,
    restricted_mean,
    value_at,
    with_events_swapped,
)
from pipeline.cohort.intervals import wilson
from pipeline.cohort.survival import MINUTES, by_site, counts_in, leak_times
from pipeline.definitions import Definitions, StatisticsRules
from schemas.views import LEAK_AT_THRESHOLD, LEAK_BY_STRATUM, LEAK_COMPARISON
from schemas.vocabulary import ProlongedLeak

PUBLISHED = ("site", "unit", "procedure", "side")
EVERYBODY = "all"


def leak_at_threshold(
    drain: pl.DataFrame, drain_outcome: pl.DataFrame, definitions: Definitions
) -> pl.DataFrame:
    """
    What the curves of leak duration say of each definition's threshold (LEAK_AT_THRESHOLD).

    A leak that ends just at the threshold has ended by it. By Kaplan–Meier deaths and transfers are
    censoring; beside it they compete (Aalen–Johansen): the shares that ended, that died or were transferred
    while leaking, and that still leak then add up to 1. Null where nobody was watched so far, and for
    thresholds of the calendar, which lie at no one number of hours.

    Parameters
    ----------
    drain, drain_outcome
        DRAIN and DRAIN_OUTCOME.
    """
    hours = {one.name: one.threshold for one in definitions.prolonged_leak}
    hours |= {
        entry.name: entry.to
        if entry.moves == "prolonged_leak.threshold"
        else definitions.prolonged_leak[0].threshold
        for entry in definitions.sensitivity
    }
    told = ("leak_hours", "leak_end_earliest_at", "leak_ongoing_at_end")
    rows: list[dict[str, Any]] = []
    outcomes = drain_outcome.lazy().select("definition", "drain_id", *told)
    drains = drain.lazy().drop(told).join(outcomes, on="drain_id")
    # All definitions at once: there are a score of them, and a query each takes as long as one.
    watched = leak_times(drains, definitions.leak.late_entry, ["definition"])
    for times in watched.partition_by("definition", maintain_order=True):
        name = times["definition"][0]
        threshold = hours.get(str(name))
        for site, counts in by_site(times):
            row = {"definition": name, "site": site, "hours": threshold, "watched": int(_all(counts))}
            rows.append(row | ({} if threshold is None else _at(threshold, counts, definitions.statistics)))
    frame = pl.DataFrame(rows, schema=LEAK_AT_THRESHOLD.dtypes) if rows else LEAK_AT_THRESHOLD.empty()
    return frame.fill_nan(None).sort("definition", "site", nulls_last=True)


def leak_by_stratum(
    counted: pl.DataFrame, times: pl.DataFrame, grouped_by: str, rules: StatisticsRules
) -> pl.DataFrame:
    """
    Rate and duration of each group (LEAK_BY_STRATUM); those for whom nothing is recorded are one of null.

    Parameters
    ----------
    counted
        COUNTED_OUTCOME of one definition, with `stratum`.
    times
        From `leak_times`, with `stratum`.
    grouped_by
        Name of the column, as shown.
    """
    yes, unknown = (
        pl.col("prolonged_leak") == word.value for word in (ProlongedLeak.YES, ProlongedLeak.UNKNOWN)
    )
    tally = (
        counted.group_by("stratum")
        .agg(counted=pl.len(), evaluable=(~unknown).sum(), prolonged=yes.sum(), unknown=unknown.sum())
        .sort("stratum", nulls_last=True)
    )
    low, high = wilson(tally["prolonged"].to_numpy(), tally["evaluable"].to_numpy(), rules.level)
    number = pl.col("counted")
    rates = tally.with_columns(
        rate=pl.when(pl.col("evaluable") > 0).then(pl.col("prolonged") / pl.col("evaluable")),
        rate_low=pl.Series(low, nan_to_null=True),
        rate_high=pl.Series(high, nan_to_null=True),
        rate_if_unknown_no=pl.col("prolonged") / number,
        rate_if_unknown_yes=(pl.col("prolonged") + pl.col("unknown")) / number,
    )
    durations = [
        {"stratum": stratum} | _duration(times.filter(pl.col("stratum").eq_missing(pl.lit(stratum))), rules)
        for stratum in tally["stratum"].to_list()
    ]
    names = LEAK_BY_STRATUM.names[LEAK_BY_STRATUM.names.index("watched") :]
    lasting = pl.DataFrame(
        durations, schema={"stratum": pl.String(), **{n: LEAK_BY_STRATUM.dtypes[n] for n in names}}
    )
    found = rates.join(lasting, on="stratum", how="left", nulls_equal=True, maintain_order="left")
    return LEAK_BY_STRATUM.conform(found.with_columns(grouped_by=pl.lit(grouped_by)))


def leak_comparison(times: pl.DataFrame, grouped_by: str) -> pl.DataFrame:
    """Log-rank test between the groups of `times` (`leak_times` with `stratum`), a row of LEAK_COMPARISON."""
    held = times.filter(pl.col("stratum").is_not_null())
    groups = [
        tuple(part[name].to_numpy().astype(np.int64) for name in ("entry", "exit", "event"))
        for _, part in held.sort("stratum").group_by("stratum", maintain_order=True)
    ]
    statistic, degrees, chance = log_rank(groups)  # type: ignore[arg-type]
    row = {
        "grouped_by": grouped_by,
        "groups": len(groups),
        "watched": held.height,
        "chi_square": statistic,
        "degrees": degrees,
        "p_value": chance,
    }
    return pl.DataFrame([row], schema=LEAK_COMPARISON.dtypes).fill_nan(None)


def leak_strata(
    drain: pl.DataFrame, counted: pl.DataFrame, definitions: Definitions, columns: Sequence[str] = PUBLISHED
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """
    `leak_by_stratum` and `leak_comparison` for everybody and for each of some columns of DRAIN.

    Parameters
    ----------
    counted
        COUNTED_OUTCOME; the published definition is used.
    """
    published = counted.filter(definition=definitions.prolonged_leak[0].name)
    times = leak_times(drain, definitions.leak.late_entry)
    whole = pl.lit(EVERYBODY)
    tables = [
        leak_by_stratum(
            published.with_columns(stratum=whole),
            times.with_columns(stratum=whole),
            EVERYBODY,
            definitions.statistics,
        )
    ]
    tests = [LEAK_COMPARISON.empty()]
    for name in columns:
        group = pl.col(name).alias("stratum")
        grouped = times.with_columns(group)
        tables.append(leak_by_stratum(published.with_columns(group), grouped, name, definitions.statistics))
        tests.append(leak_comparison(grouped, name))
    return pl.concat(tables), pl.concat(tests)


def _all(counts: Any) -> int:
    return int((counts.ended + counts.competing + counts.censored).sum())


def _at(hours: float, counts: Any, rules: StatisticsRules) -> dict[str, float | None]:
    time = round(hours * MINUTES)
    survival = kaplan_meier(counts, rules.level)
    either = kaplan_meier(free_of_either(counts), rules.level)
    _, *incidence = aalen_johansen(counts, rules.level)
    gone = aalen_johansen(with_events_swapped(counts), rules.level)[1]
    found: dict[str, float | None] = {}
    if reaches(time, counts, survival[0]):
        names = ("kaplan_meier", "kaplan_meier_low", "kaplan_meier_high")
        starts = (1.0, float("nan"), float("nan"))
        found |= {n: value_at(time, counts, c, s) for n, c, s in zip(names, survival, starts, strict=True)}
    if reaches(time, counts, either[0]):
        names = ("still_leaking", "still_leaking_low", "still_leaking_high")
        starts = (1.0, float("nan"), float("nan"))
        found |= {n: value_at(time, counts, c, s) for n, c, s in zip(names, either, starts, strict=True)}
        names = ("incidence", "incidence_low", "incidence_high")
        starts = (0.0, float("nan"), float("nan"))
        found |= {n: value_at(time, counts, c, s) for n, c, s in zip(names, incidence, starts, strict=True)}
        # From its own events: 1 less the other two would leave the last digit of their sum.
        found["competing_incidence"] = value_at(time, counts, gone, 0.0)
    return found


def _duration(times: pl.DataFrame, rules: StatisticsRules) -> dict[str, float | int | None]:
    counts = counts_in(times)
    median = median_time(counts, rules.level)
    mean = restricted_mean(counts, round(rules.restricted_to * MINUTES), rules.level)
    names = (
        "median_hours",
        "median_low_hours",
        "median_high_hours",
        "mean_hours",
        "mean_low_hours",
        "mean_high_hours",
    )
    hours = {
        name: None if np.isnan(value) else value / MINUTES
        for name, value in zip(names, (*median, *mean), strict=True)
    }
    tallies = {"ended": counts.ended, "died_or_transferred": counts.competing}
    return {"watched": times.height, **{n: int(c.sum()) for n, c in tallies.items()}, **hours}
