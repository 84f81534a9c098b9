"""Tidaling as the evidence so far had it: each trace by itself, the envelope over the minutes before."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import Definitions
from schemas.vocabulary import State, TidalingBasis, Verdict

_PRESENT, _ABSENT = Verdict.PRESENT.value, Verdict.ABSENT.value


def with_breathing_so_far(
    grid: pl.DataFrame, evidence: pl.DataFrame, definitions: Definitions
) -> pl.DataFrame:
    """
    Add whether breathing, or its absence, was seen in the minute by what had come by then.

    A trace's verdict holds for `hold` minutes, over a single undecided one, until the next decides or the
    device is paused. Where no trace holds, the envelope of the last `window` minutes decides: breathing where
    even a low quantile of their max − min exceeds the quiet floor by the least swing, no leak is on and the
    device is not being carried; absence where even a high quantile stays below what could hide a swing. The
    quiet floor is the greatest range of the use's stable self-check minutes so far. A verdict is believed
    after it has stood for `settle` minutes.

    Parameters
    ----------
    grid
        In order of use and minute, dense: `row`, `span_no`, `use_no`, `state`, `running`, `tilted`, `alerts`,
        `pressure_min_cmh2o`, `pressure_max_cmh2o`, `air_leak_ml_min`.
    evidence
        EVIDENCE.

    Returns
    -------
    The grid with `range_cmh2o` (of running minutes), `still_most_cmh2o`, `breath_seen`, `absence_seen`,
    `breath_basis`, `traced_breath_row` (the last trace that showed breathing) and `swing_seen_cmh2o`.
    """
    traces = evidence.select("use_id", "minute", trace="verdict", trace_swing="swing_cmh2o")
    traced = _held(grid.join(traces, on=["use_id", "minute"], how="left", maintain_order="left"), definitions)
    judged = _enveloped(traced, definitions)
    verdict = pl.coalesce("held", "envelope").fill_null(Verdict.NOT_ASSESSABLE.value)
    run = pl.struct("span_no", "verdict").rle_id()
    known = (
        judged.with_columns(verdict=verdict)
        .with_columns(stood=pl.int_range(1, pl.len() + 1).over(run))
        .with_columns(believed=pl.col("running") & (pl.col("stood") >= definitions.tidaling.settle))
        .with_columns(
            breath_seen=pl.col("believed") & (pl.col("verdict") == _PRESENT),
            absence_seen=pl.col("believed") & (pl.col("verdict") == _ABSENT),
            breath_basis=pl.when(pl.col("held").is_not_null())
            .then(pl.lit(TidalingBasis.TRACE.value))
            .otherwise(pl.lit(TidalingBasis.ENVELOPE.value)),
        )
    )
    swing = pl.when(pl.col("held").is_not_null()).then("held_swing").otherwise("envelope_swing")
    return known.with_columns(
        swing_seen_cmh2o=pl.when("breath_seen").then(swing).forward_fill().over("span_no")
    ).drop(
        "trace",
        "trace_swing",
        "held",
        "held_swing",
        "envelope",
        "envelope_swing",
        "verdict",
        "stood",
        "believed",
    )


def _held(grid: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """Add `held` (the verdict of the trace that still holds), its swing and `traced_breath_row`."""
    rules = definitions.tidaling
    counts = (
        pl.col("trace").is_not_null() & (pl.col("trace") != Verdict.NOT_ASSESSABLE.value) & pl.col("running")
    )
    decided = counts & pl.col("trace").is_in([_PRESENT, _ABSENT])
    halted = (pl.col("observed") & ~pl.col("running")).fill_null(False)
    runs = grid.with_columns(
        run=(halted | (pl.col("span_no") != pl.col("span_no").shift(1)).fill_null(True))
        .cast(pl.Int32)
        .cum_sum(),
        counts=counts.fill_null(False),
        decided=decided.fill_null(False),
    )

    def last(value: str, where: str) -> pl.Expr:
        return pl.when(where).then(value).forward_fill().over("run")

    latest = runs.with_columns(
        last=last("trace", "counts"),
        last_row=last("row", "counts"),
        firm=last("trace", "decided"),
        firm_row=last("row", "decided"),
        seen=pl.col("counts").cast(pl.Int32).cum_sum(),
        held_swing=pl.when(pl.col("trace") == _PRESENT).then("trace_swing").forward_fill().over("run"),
        traced_breath_row=pl.when(pl.col("counts") & (pl.col("trace") == _PRESENT))
        .then("row")
        .forward_fill()
        .over("span_no"),
    ).with_columns(undecided=pl.col("seen") - last("seen", "decided"))
    stands = (pl.col("row") - pl.col("firm_row") <= rules.hold) & (pl.col("undecided") <= 1)
    return latest.with_columns(
        held=pl.when(stands.fill_null(False))
        .then("firm")
        .when(pl.col("row") - pl.col("last_row") <= rules.hold)
        .then("last")
    ).drop("run", "counts", "decided", "last", "last_row", "firm", "firm_row", "seen", "undecided")


def _enveloped(grid: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """Add `envelope` (verdict of the minutes so far), `envelope_swing`, `range_cmh2o`, `still_most_cmh2o`."""
    rules, least = definitions.envelope, definitions.trace.least_swing
    spread = (pl.col("pressure_max_cmh2o") - pl.col("pressure_min_cmh2o")).round(6)
    stable = (
        (pl.col("state") == State.CHECK.value)
        & ~pl.col("tilted")
        & (pl.col("alerts").list.len().fill_null(0) == 0)
        & (spread <= rules.floor_stable)
    ).fill_null(False)
    enough = pl.col("stable").cast(pl.Int32).cum_sum().over("use_no") >= rules.floor_minutes
    own = pl.when("stable").then("spread").cum_max().forward_fill().over("use_no")
    ranged = (
        grid.with_columns(spread=spread, stable=stable)
        .with_columns(own=pl.when(enough).then(own))
        .with_columns(
            range_cmh2o=pl.when("running").then("spread"),
            flow=pl.when("running").then("air_leak_ml_min"),
            floor=pl.col("own").fill_null(rules.floor),
            still_most_cmh2o=(pl.col("own") + rules.own_margin).fill_null(rules.floor),
            untraced=pl.col("held").is_null().any().over("span_no"),
        )
    )

    def so_far(column: str, share: float, toward: str) -> pl.Expr:
        return (
            pl.col(column)
            .rolling_quantile(
                share,
                interpolation=toward,  # type: ignore[arg-type]
                window_size=rules.window,
                min_samples=rules.least_minutes,
            )
            .over("span_no")
        )

    # Windows cost; where every minute has a trace that holds nobody asks for them.
    windows = (
        ranged.lazy()
        .filter("untraced")
        .select(
            "row",
            low=so_far("range_cmh2o", rules.low_quantile, "lower"),
            high=so_far("range_cmh2o", rules.high_quantile, "higher"),
            flow_so_far=so_far("flow", 0.5, "higher"),
            tilts=pl.col("tilted").cast(pl.Int32).rolling_sum(rules.window, min_samples=1).over("span_no"),
        )
        .collect()
    )
    joined = ranged.join(windows, on="row", how="left", maintain_order="left")
    quiet = (pl.col("flow_so_far") <= definitions.leak.on_above).fill_null(False)
    still = pl.max_horizontal(pl.lit(least), pl.col("own") + rules.own_margin)
    over_floor = (pl.col("low") - pl.col("floor")).round(6)
    return joined.with_columns(
        envelope=pl.when(pl.col("range_cmh2o").is_null() | pl.col("low").is_null())
        .then(None)
        .when((over_floor >= least) & quiet & (pl.col("tilts") < rules.carried))
        .then(pl.lit(_PRESENT))
        .when(pl.col("high") < still)
        .then(pl.lit(_ABSENT))
        .otherwise(pl.lit(Verdict.INDETERMINATE.value)),
        envelope_swing=over_floor,
    ).drop("spread", "stable", "own", "flow", "floor", "untraced", "low", "high", "flow_so_far", "tilts")
