"""Flow that stops at once with the pressure gone still, without anybody's hand on the drain."""

from __future__ import annotations

import polars as pl

from pipeline.course.draining import fluid_goes_on
from pipeline.course.grid import STRETCH, at, decimal, next_row, paint
from pipeline.definitions import EnvelopeRules, FlowStoppedRules, OcclusionRules
from schemas.vocabulary import PeriodKind, Verdict


def find_stillness(
    grid: pl.DataFrame,
    air_stops: pl.DataFrame,
    stopped: FlowStoppedRules,
    flow: OcclusionRules,
    envelope: EnvelopeRules,
) -> pl.DataFrame:
    """
    Find leaks that stop from one minute to the next while the pressure goes still.

    A lung that seals goes on breathing, and a leak that closes does so over hours; a line that is
    blocked or clamped stops both at once. Logs without traces cannot show breathing while air leaks (the
    pump moves the pressure too). The zeros of such a stop must not be taken for a sealed lung all the
    same: the cause is unknown (`flow_stopped`). Of the stops of `find_air_stops` those where

    - `leaked_before`: the leak just before was above `flow.leak_before`;
    - `leak_lasted`: it had been on for the hour before, and was not fading: just before, at least
      `leak_kept` of that hour's median was left. A bump that ends and a leak that closes are no stop;
    - `moved_before`: the pressure moved, by breath or pump, as much as a swing that counts would;
    - `goes_still`: with the stop its max − min falls to where no such swing can hide;
    - `may_have_breathed`: breathing had not gone before the leak came. Where it was absent for
      `flow.breathed_least` minutes through an open tube (not within a stop like this one) and was not seen
      since, the lung had come up, the pump moved the pressure, and what stopped is the leak alone.

    It lasts until the leak is above `flow.leak_before` again or breathing is seen: in a trace, or by
    the envelope for at least its whole window, for a walk looks like breathing for some minutes. A hole
    may hide that end and then does not make one: what is unknown stays so until something is seen.

    Or until fluid shows that the tube is open (`fluid_goes_on`), as it does in a lung that has sealed and
    moves no more. What came before that minute remains of unknown cause.

    Returns
    -------
    One row a stop: `from_row`, `to_row`, `kind`, `grade`, `detail`.
    """
    judged = judge_stillness(grid, air_stops, stopped, flow)
    stops = judged.filter(clause.fill_null(False) for clause in stillness_clauses().values())
    return _lasting(grid, stops, flow, envelope)


def stillness_clauses() -> dict[str, pl.Expr]:
    """What a stop of `judge_stillness` must meet to be of unknown cause, by name."""
    return {**_sudden_clauses(), "may_have_breathed": pl.col("may_have_breathed")}


def _sudden_clauses() -> dict[str, pl.Expr]:
    return {name: pl.col(name) for name in ("leaked_before", "leak_lasted", "moved_before", "goes_still")}


def judge_stillness(
    grid: pl.DataFrame, air_stops: pl.DataFrame, stopped: FlowStoppedRules, flow: OcclusionRules
) -> pl.DataFrame:
    """
    Every stop of the leak: those of `find_stillness` before anything is left out.

    Returns
    -------
    `from_row`, `end_row` (of the minutes without a leak), the figures of `find_air_stops`, and the clauses
    by name, null where unknown.
    """
    stops = air_stops.with_columns(
        leaked_before=pl.col("leak_before") > flow.leak_before,
        leak_lasted=(pl.col("leak_earlier") > flow.leak_before)
        & (pl.col("leak_before") >= decimal(stopped.leak_kept * pl.col("leak_earlier"))),
        moved_before=pl.col("range_before") >= pl.col("moved_least_cmh2o"),
        goes_still=pl.col("range_after") < pl.col("absent_below_cmh2o"),
    )
    sudden = stops.filter(clause.fill_null(False) for clause in _sudden_clauses().values())
    absent = _absent_while_open(grid, sudden)
    just_before = (stops["from_row"] - 1).clip(lower_bound=0)
    breath = at(grid, "breath_row", just_before)
    since = breath.fill_null(at(grid, "span_first_row", just_before))
    return stops.with_columns(
        absent_minutes_before=at(absent, "absent_open", just_before) - at(absent, "absent_open", since)
    ).with_columns(may_have_breathed=pl.col("absent_minutes_before") < flow.breathed_least)


def _absent_while_open(grid: pl.DataFrame, sudden: pl.DataFrame) -> pl.DataFrame:
    """`absent_open`: minutes so far with breathing absent, those within a sudden stop left out."""
    stretches = sudden.select(
        "from_row",
        to_row="end_row",
        grade=pl.lit(None, pl.String),
        detail=pl.lit(None, pl.String),
    )
    shut = paint(grid.select("row"), "shut", stretches)["shut"]
    absent = (grid["tidaling"] == Verdict.ABSENT).fill_null(False) & grid["running"] & ~shut
    return pl.DataFrame({"absent_open": absent.cast(pl.Int64).cum_sum()})


def _lasting(
    grid: pl.DataFrame, stops: pl.DataFrame, flow: OcclusionRules, envelope: EnvelopeRules
) -> pl.DataFrame:
    """How long each stop lasts: `from_row`, `to_row`, `kind`, `grade`, `detail`."""
    seen = grid.select(
        "row",
        "span_no",
        "span_last_row",
        "air_leak_ml_min",
        "breath_seen",
        "traced",
        run=pl.struct("span_no", pl.col("tidaling") == Verdict.PRESENT).rle_id(),
    ).with_columns(run_length=pl.len().over("run"))
    lasting = pl.col("traced") | (pl.col("run_length") >= envelope.window)
    ends = seen.select(
        "span_last_row",
        next_breath_row=next_row(pl.col("breath_seen") & lasting),
        next_leak_row=next_row(pl.col("air_leak_ml_min") > flow.leak_before),
    )
    until = stops.with_columns(
        at(ends, name, stops["from_row"]) for name in ("span_last_row", "next_breath_row", "next_leak_row")
    ).with_columns(
        to_row=pl.min_horizontal("span_last_row", pl.col("next_breath_row") - 1, pl.col("next_leak_row") - 1)
    )
    drains = fluid_goes_on(grid, until, flow)
    return (
        until.join(drains, on="window", how="left", maintain_order="left")
        .select(
            "from_row",
            to_row=pl.min_horizontal("to_row", pl.col("drains_row") - 1),
            kind=pl.lit(PeriodKind.FLOW_STOPPED.value),
            grade=pl.lit(None, pl.String),
            detail=pl.format(
                "the leak fell at once from {} to at most {} mL/min and the pressure went still "
                "(max − min {} to {} cm[H2O]), cause unknown",
                pl.col("leak_before").round(1),
                pl.lit(flow.leak_most),
                pl.col("range_before").round(1),
                pl.col("range_after").round(1),
            ),
        )
        .select(*STRETCH, "kind")
    )
