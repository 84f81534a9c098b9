"""A grid of removal rules in one pass over the minutes, beside one pass a rule."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np
import polars as pl

from pipeline.cohort.quantities import steps_per_unit
from pipeline.cohort.readiness import readiness_followed
from pipeline.cohort.rule_grid import rule_named, spread
from pipeline.cohort.rules import RemovalRule
from pipeline.cohort.whatif import whatif
from pipeline.definitions import Definitions, load_definitions
from schemas.lake import BEDSIDE
from tests.benchmarks.rows import Row

DRAINS, DAYS = 1000, 4
PEER_RULES = 8  # of the grid that the peer is timed on; the rest is in proportion
AXES = {
    "leak_at_most": [5, 10, 20, 30, 40],
    "leak_hours": [4, 6, 8, 12],
    "output_at_most": [200, 300, 450, 600, "none"],
    "tidaling_within_hours": [12, "none"],
}
MOST_SECONDS = 30


def rows() -> Iterator[Row]:
    """Seconds for 200 rules on 1 000 drains, and how many times the naive pass needs for the same."""
    definitions = load_definitions()
    base = rule_named("leak_20_output_300").model_dump() | {"excursion_up_to": 80}
    rules = spread(base, AXES, "bench").rules
    bedside, drains = ward()
    start = time.perf_counter()
    told = readiness_followed(bedside, drains, definitions, rules)
    figures = whatif(told, drains, rules, definitions)
    ours = time.perf_counter() - start
    assert figures.height == len(rules) == 200
    some = rules[:: len(rules) // PEER_RULES][:PEER_RULES]
    start = time.perf_counter()
    naive = {rule.name: first_ready(bedside, drains, rule, definitions) for rule in some}
    peer = (time.perf_counter() - start) / len(some) * len(rules)
    for rule in some:
        same = told.filter(rule=rule.name).select("drain_id", "ready_at").sort("drain_id")
        assert same.equals(naive[rule.name]), rule.title
    detail = (
        f"{len(rules)} rules, {DRAINS} drains, {bedside.height:,} minutes: {ours:.1f} s; "
        f"a pass a rule {peer:.0f} s ({len(some)} rules timed), first ready minute alone, same answers"
    )
    yield Row("whatif: a grid on 1 000 drains", ours, "s", "nothing", None, MOST_SECONDS, None, detail)
    yield Row("whatif: one pass a rule over this", peer / ours, "x", "one Polars pass a rule", detail=detail)


def ward() -> tuple[pl.DataFrame, pl.DataFrame]:
    """Bedside minutes of invented drains whose leaks fade at different paces."""
    chance = np.random.default_rng(17)
    length = DAYS * 1440
    minute = np.arange(length)
    begin, fade = chance.uniform(20, 400, (DRAINS, 1)), chance.uniform(300, 4000, (DRAINS, 1))
    leak = np.round(begin * np.exp(-minute / fade) * chance.uniform(0.7, 1.3, (DRAINS, length)), 1)
    output = np.cumsum(chance.poisson(chance.uniform(0.5, 6, (DRAINS, 1)) * np.exp(-minute / 3000)), axis=1)
    paused = chance.random((DRAINS, length)) < 0.01
    origin = datetime(2031, 3, 10, 12, tzinfo=UTC)
    number = [f"D{i:05}" for i in range(DRAINS)]
    stamp = pl.Series(np.tile(minute, DRAINS))
    at = (pl.lit(origin) + pl.duration(minutes=pl.col("m"))).cast(pl.Datetime("us", "UTC"))
    seen = pl.when(pl.col("m") % 97 < 40).then(at).forward_fill().over("drain_id")
    frame = pl.DataFrame(
        {
            "drain_id": np.repeat(number, length),
            "m": stamp,
            "leak_ml_min": np.where(paused, np.nan, leak).ravel(),
            "stopped_so_far": np.cumsum(paused, axis=1).ravel(),
            "output_so_far": output.ravel(),
            "leak_median_ml_min": leak.ravel(),
        }
    ).with_columns(minute=at, read_at=at, breathed_at=seen, breathed_basis=pl.lit("trace"))
    drains = pl.DataFrame({"drain_id": number}).with_columns(
        site=pl.lit("lakeside"),
        origin_at=pl.lit(origin).cast(pl.Datetime("us", "UTC")),
        tube_out_at=pl.lit(origin).cast(pl.Datetime("us", "UTC")) + pl.duration(days=DAYS),
        ended_at=pl.lit(origin).cast(pl.Datetime("us", "UTC")) + pl.duration(days=DAYS, minutes=-1),
        entered_hours=pl.lit(0.0),
        removal_reason=pl.lit("planned"),
        reinserted_at=pl.lit(None, pl.Datetime("us", "UTC")),
        readmitted_at=pl.lit(None, pl.Datetime("us", "UTC")),
        pneumothorax_after=pl.lit("no"),
    )
    return BEDSIDE.conform(frame.with_columns(pl.col("leak_ml_min").fill_nan(None))), drains


def first_ready(
    bedside: pl.DataFrame, drains: pl.DataFrame, rule: RemovalRule, definitions: Definitions
) -> pl.DataFrame:
    """The plain way: every clause of one rule over every minute, drain by drain in Polars windows."""
    window = round(rule.leak_hours * 60)
    leak, minute = pl.col("leak_ml_min"), pl.col("minute")
    above = (leak > rule.leak_at_most).cast(pl.Int32).rolling_sum(window).over("drain_id")
    far = (leak > rule.excursion_up_to).cast(pl.Int32).rolling_sum(window).over("drain_id")
    elapsed = (minute - minute.shift(window - 1).over("drain_id")).dt.total_minutes() + 1
    halted = pl.col("stopped_so_far") - pl.col("stopped_so_far").shift(window - 1).over("drain_id")
    clauses = [
        above <= rule.excursion_minutes,
        far == 0,
        window >= rule.completeness_at_least * (elapsed - halted),
    ]
    frame = bedside
    if rule.output_hours is not None and rule.output_at_most is not None:
        past = bedside.select("drain_id", at="minute", past="output_so_far")
        frame = (
            bedside.with_columns(at=minute - pl.duration(minutes=round(rule.output_hours * 60)))
            .join_asof(past, on="at", by="drain_id", check_sortedness=False)
            .sort("drain_id", "minute")
        )
        most = round(rule.output_at_most * steps_per_unit(definitions.resolution.volume))
        clauses.append(pl.col("output_so_far") - pl.col("past") <= most)
        clauses.append(
            minute - pl.col("read_at") <= pl.duration(minutes=definitions.readiness.reading_within)
        )
    if rule.tidaling_within_hours is not None:
        clauses.append(minute - pl.col("breathed_at") <= pl.duration(hours=rule.tidaling_within_hours))
    on_clock = frame.filter(leak.is_not_null())
    held = on_clock.with_columns(ready=pl.all_horizontal(clauses).fill_null(False)).filter("ready")
    firsts = held.group_by("drain_id").agg(ready_at=minute.min())
    return drains.select("drain_id").join(firsts, on="drain_id", how="left").sort("drain_id")
