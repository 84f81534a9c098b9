"""Clamped and flow stopped: breathing and leak cease at once after somebody handled the drain."""

from __future__ import annotations

import polars as pl

from pipeline.course.dry_clamp import dry_clauses, judge_dry_clamps
from pipeline.course.grid import STRETCH, at, paint
from pipeline.definitions import ClampRules, EnvelopeRules, FlowStoppedRules, OcclusionRules
from schemas.vocabulary import AnnotationKind, Grade, PeriodKind


def find_stops(
    grid: pl.DataFrame,
    air_stops: pl.DataFrame,
    clamp: ClampRules,
    stopped: FlowStoppedRules,
    flow: OcclusionRules,
    envelope: EnvelopeRules,
) -> pl.DataFrame:
    """
    Find the sudden stops of leak and breathing after handling, each clause with its answer.

    A stop (`find_air_stops`) counts where a leak above `flow.leak_before` was there just before and it
    begins while `handled`: within `stop_within` after a pause, a canister change or a handled alert. Where
    leak and breathing return together any leak above `flow.leak_most` counts, for then it stopped and came
    back, a small one as well as a large. Breathing must stop with it, which shows in one of two ways:

    - `breath_stops_with_leak`: seen before, its absence seen during the stop, both in traces (or, without a
      leak, in the envelope) at most `sudden_within` running minutes apart and around the leak's stop;
    - `pressure_stops_with_leak`: the pressure's max − min falls with the leak from at least
      `moved_least_cmh2o` to below `absent_below_cmh2o`, in which no breath can hide. While air leaked
      what moved it may have been the pump; so nothing within `sudden_within` before may say that
      breathing was gone, nor a trace during the stop that it went on.

    `clamped` where both return together within `return_within`: the leak's median back above
    `flow.leak_most`, and breathing seen, or the pressure moving, again around that minute. Where only
    the pressure tells, the grade is `possible`: the leak was seen to stop and return, breathing was not.
    A pause before the return may hide the minute of it, for up to `sudden_within`.
    Otherwise, where breathing was seen to stop, `flow_stopped` until either returns: the cause is
    unknown. (A stop told by the pressure alone that does not return is `find_stillness`'s.)

    Where there is no leak to stop, breathing alone decides: see `judge_dry_clamps`.

    Returns
    -------
    One row a stop: `from_row`, `to_row`, `kind`, `grade`, `detail`.
    """
    judged = judge_stops(grid, air_stops, clamp, stopped, flow)
    stops = judged.filter(clause.fill_null(False) for clause in stop_clauses().values())
    back = pl.col("kind") == PeriodKind.CLAMPED
    dry = judge_dry_clamps(grid, clamp, stopped, flow, envelope)
    columns = [*STRETCH, "kind"]
    return pl.concat(
        [
            stops.filter(back | pl.col("breath_stops_with_leak").fill_null(False)).select(columns),
            dry.filter(clause.fill_null(False) for clause in dry_clauses().values()).select(columns),
        ]
    )


def judge_stops(
    grid: pl.DataFrame,
    air_stops: pl.DataFrame,
    clamp: ClampRules,
    stopped: FlowStoppedRules,
    flow: OcclusionRules,
) -> pl.DataFrame:
    """
    Every stop of the leak, handled or not: the leaking ones of `find_stops` before anything is left out.

    Parameters
    ----------
    air_stops
        As from `find_air_stops`.

    Returns
    -------
    `from_row`, `to_row`, `end_row` (of the minutes without a leak), `kind`, `grade`, `detail`, the figures,
    and the clauses by name, null where unknown.
    """
    stops = _sightings(grid, air_stops, clamp)
    judged = stops.with_columns(**_breath(clamp, stopped), **_pressure(clamp, stopped)).with_columns(
        leak_returns=pl.col("return_row").is_not_null() & (pl.col("leak_after") > flow.leak_most),
        # A pause may lie before the return: the line was opened in it, nobody knows at which minute.
        in_time=pl.col("end_row") + 1 - pl.col("from_row") <= clamp.return_within,
        return_dated=pl.col("return_row") - pl.col("end_row") <= stopped.sudden_within,
    )
    back = pl.all_horizontal(clause.fill_null(False) for clause in return_clauses().values())
    least = pl.when(back).then(pl.lit(flow.leak_most)).otherwise(pl.lit(flow.leak_before))
    judged = judged.with_columns(leak_least_ml_min=least).with_columns(
        leaked_before=pl.col("leak_before") > pl.col("leak_least_ml_min")
    )
    seen = _told("breath_stops_with_leak") & _told("breath_returns_with_leak")
    until_breath = pl.min_horizontal("end_row", pl.col("breath_again") - 1)
    return judged.with_columns(
        kind=pl.when(back)
        .then(pl.lit(PeriodKind.CLAMPED.value))
        .otherwise(pl.lit(PeriodKind.FLOW_STOPPED.value)),
        to_row=pl.when(back).then(pl.col("return_row") - 1).otherwise(until_breath),
        grade=pl.when(back & ~seen).then(pl.lit(Grade.POSSIBLE.value)),
        detail=_detail(back, flow),
    )


def stop_clauses() -> dict[str, pl.Expr]:
    """What a stop of `judge_stops` must meet to be one after handling, by name."""
    return {
        "handled": pl.col("handled"),
        "leaked_before": pl.col("leaked_before"),
        "stops_together": pl.col("breath_stops_with_leak") | pl.col("pressure_stops_with_leak"),
    }


def return_clauses() -> dict[str, pl.Expr]:
    """What such a stop must meet besides to be `clamped`, by name; else it is `flow_stopped`."""
    return {
        "leak_returns": pl.col("leak_returns"),
        "returns_together": pl.col("breath_returns_with_leak") | pl.col("pressure_returns_with_leak"),
        "in_time": pl.col("in_time"),
        "return_dated": pl.col("return_dated"),
    }


def _told(clause: str) -> pl.Expr:
    """What was not seen to hold does not hold."""
    return pl.col(clause).fill_null(False)


def _sightings(grid: pl.DataFrame, stops: pl.DataFrame, clamp: ClampRules) -> pl.DataFrame:
    """The rows at which breathing and its absence were seen around the stop and the return."""
    by = stops.select(pl.min_horizontal(pl.col("from_row") + clamp.stop_within, "end_row")).to_series()
    last_breath = at(grid, "breath_row", by)
    absence = at(grid, "next_absence_row", last_breath)
    breath_again = at(grid, "next_breath_row", absence)
    last_absence = at(grid, "absence_row", breath_again)
    just_before = (stops["from_row"] - 1).clip(lower_bound=0)
    return stops.with_columns(
        last_breath.alias("last_breath"),
        absence.alias("absence"),
        breath_again.alias("breath_again"),
        last_absence.alias("last_absence"),
        stop_runs=at(grid, "run_count", absence) - at(grid, "run_count", last_breath),
        return_runs=at(grid, "run_count", breath_again) - at(grid, "run_count", last_absence),
        stop_breaks=at(grid, "breaks", absence) - at(grid, "breaks", last_breath),
        return_breaks=at(grid, "breaks", breath_again) - at(grid, "breaks", last_absence),
        breath_before=at(grid, "breath_row", just_before),
        absence_before=at(grid, "absence_row", just_before),
        breath_inside=at(grid, "next_breath_row", stops["from_row"]),
    )


def _breath(clamp: ClampRules, stopped: FlowStoppedRules) -> dict[str, pl.Expr]:
    """Whether breathing was seen to stop and to return with the leak."""
    within = clamp.stop_within
    dated = (pl.col("stop_runs") <= stopped.sudden_within) & (pl.col("stop_breaks") == 0)
    return {
        "onset_dated": dated,
        "breath_stops_with_leak": dated
        & (pl.col("absence") >= pl.col("from_row") - within)
        & (pl.col("absence") <= pl.col("end_row")),
        "breath_returns_with_leak": (pl.col("breath_again") >= pl.col("return_row") - within)
        & (pl.col("last_absence") <= pl.col("return_row") + within)
        & (pl.col("return_runs") <= stopped.sudden_within)
        & (pl.col("return_breaks") == 0),
    }


def _pressure(clamp: ClampRules, stopped: FlowStoppedRules) -> dict[str, pl.Expr]:
    """Whether what moved the pressure, breath or pump, stopped and returned with the leak."""
    gone_before = (pl.col("absence_before") > pl.col("breath_before").fill_null(-1)) & (
        pl.col("from_row") - pl.col("absence_before") <= stopped.sudden_within
    )
    goes_on = pl.col("breath_inside") <= pl.col("end_row") - clamp.stop_within
    stays_away = pl.col("last_absence") > pl.col("return_row") + clamp.stop_within
    return {
        "moved_before": pl.col("range_before") >= pl.col("moved_least_cmh2o"),
        "goes_still": pl.col("range_after") < pl.col("absent_below_cmh2o"),
        "pressure_stops_with_leak": (pl.col("range_before") >= pl.col("moved_least_cmh2o"))
        & (pl.col("range_after") < pl.col("absent_below_cmh2o"))
        & ~gone_before.fill_null(False)
        & ~goes_on.fill_null(False),
        "pressure_returns_with_leak": (pl.col("range_after") < pl.col("absent_below_cmh2o"))
        & (pl.col("range_again") >= pl.col("moved_least_cmh2o"))
        & ~stays_away.fill_null(False),
    }


def _detail(back: pl.Expr, flow: OcclusionRules) -> pl.Expr:
    breath = pl.format("breathing stopped within {} running minutes", pl.col("stop_runs"))
    pressure = pl.format(
        "the pressure went still (max − min {} to {} cm[H2O])",
        pl.col("range_before").round(1),
        pl.col("range_after").round(1),
    )
    began = pl.format(
        "after handling the leak fell from {} to at most {} mL/min and {}",
        pl.col("leak_before").round(1),
        pl.lit(flow.leak_most),
        pl.when(_told("breath_stops_with_leak")).then(breath).otherwise(pressure),
    )
    by_pressure = pl.lit(", told by leak and pressure, breathing itself not seen")
    came_back = pl.format(
        "both came back together after {} min (leak {} mL/min){}",
        pl.col("return_row") - pl.col("from_row"),
        pl.col("leak_after").round(1),
        pl.when(_told("breath_stops_with_leak") & _told("breath_returns_with_leak"))
        .then(pl.lit(""))
        .otherwise(by_pressure),
    )
    missing = (
        pl.when(~_told("leak_returns"))
        .then(pl.lit("the leak was not seen to come back"))
        .when(~(_told("breath_returns_with_leak") | _told("pressure_returns_with_leak")))
        .then(pl.lit("breathing was not seen to come back with the leak"))
        .otherwise(pl.lit("both came back too late for a forgotten clamp"))
    )
    unknown = pl.format("{}, cause unknown", missing)
    return pl.format("{}; {}", began, pl.when(back).then(came_back).otherwise(unknown))


def mark_stops(grid: pl.DataFrame, stops: pl.DataFrame, annotations: pl.DataFrame) -> pl.DataFrame:
    """
    Add `clamped` and `flow_stopped`, each with its grade and detail.

    A noted clamp trial stands before what the log says: it is `clamped`, grade `annotated`, and a
    minute so noted is not `flow_stopped`; neither is one of a hole.
    """
    columns = list(STRETCH)
    noted = annotations.filter(pl.col("kind") == AnnotationKind.CLAMP_TRIAL).select(columns)
    clamped = stops.filter(pl.col("kind") == PeriodKind.CLAMPED).select(columns)
    unexplained = stops.filter(pl.col("kind") == PeriodKind.FLOW_STOPPED).select(columns)
    marked = paint(paint(grid, "clamped", pl.concat([noted, clamped])), "flow_stopped", unexplained)
    return marked.with_columns(flow_stopped=pl.col("flow_stopped") & ~pl.col("clamped") & ~pl.col("no_data"))
