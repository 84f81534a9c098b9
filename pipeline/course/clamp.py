"""Clamped and flow stopped: breathing and leak cease at once after somebody handled the drain."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import STRETCH, at, over_windows, paint
from pipeline.definitions import ClampRules, FlowStoppedRules, OcclusionRules
from schemas.vocabulary import AnnotationKind, PeriodKind


def find_stops(
    grid: pl.DataFrame, clamp: ClampRules, stopped: FlowStoppedRules, flow: OcclusionRules
) -> pl.DataFrame:
    """
    Find the sudden stops of leak and breathing after handling, each clause with its answer.

    A stop is a run of running minutes without a hole whose known leak is at most `flow.leak_most`,
    after `readings` minutes with a median above `flow.leak_before`, and that begins while `handled`
    (within `stop_within` after a pause, a canister change or a handled alert). Breathing must stop with
    it: last seen before, its absence seen during the run, at most `sudden_within` running minutes
    apart and around the leak's stop; further apart the onset cannot be dated and nothing is said. No
    run crosses a hole or a clock step: nothing is dated across one.

    `clamped` where both return together within `return_within`: the leak's median back above
    `flow.leak_before` and breathing seen again around that minute, dated as well. Otherwise
    `flow_stopped`, until either returns: the cause is unknown.

    Where there is no leak to stop (none above `flow.leak_most` from before until after), breathing alone
    that stops after handling and comes back in time is `clamped` too; breathing alone that does not come
    back is a finding of absence and nothing more.

    Returns
    -------
    One row a stop: `from_row`, `to_row`, `kind`, `grade`, `detail`.
    """
    known = known_flow(grid, flow)
    judged = _judged(grid, known, known.filter("drops", "handled"), clamp, stopped, flow)
    stops = judged.filter(clause.fill_null(False) for clause in stop_clauses().values())
    dry = judge_dry_clamps(grid, clamp, stopped, flow)
    columns = [*STRETCH, "kind"]
    return pl.concat(
        [
            stops.select(columns),
            dry.filter(clause.fill_null(False) for clause in dry_clauses().values()).select(columns),
        ]
    )


def judge_stops(
    grid: pl.DataFrame, clamp: ClampRules, stopped: FlowStoppedRules, flow: OcclusionRules
) -> pl.DataFrame:
    """
    Every stop of the leak, handled or not: the leaking ones of `find_stops` before anything is left out.

    Returns
    -------
    `from_row`, `to_row`, `end_row` (of the still run), `kind`, the figures, and the clauses by name, null
    where unknown.
    """
    known = known_flow(grid, flow)
    return _judged(grid, known, known.filter("drops"), clamp, stopped, flow)


def stop_clauses() -> dict[str, pl.Expr]:
    """What a stop of `judge_stops` must meet to be one after handling, by name."""
    return {
        name: pl.col(name) for name in ("handled", "leaked_before", "onset_dated", "breath_stops_with_leak")
    }


def return_clauses() -> dict[str, pl.Expr]:
    """What such a stop must meet besides to be `clamped`, by name; else it is `flow_stopped`."""
    return {name: pl.col(name) for name in ("leak_returns", "breath_returns_with_leak", "in_time")}


def _judged(
    grid: pl.DataFrame,
    known: pl.DataFrame,
    drops: pl.DataFrame,
    clamp: ClampRules,
    stopped: FlowStoppedRules,
    flow: OcclusionRules,
) -> pl.DataFrame:
    stops = drops.rename({"row": "start_row", "k": "start_k"}).with_row_index("window")
    end_k = stops["end_k"]
    return_k = (end_k + 1).clip(upper_bound=max(known.height - 1, 0))
    stops = stops.with_columns(
        end_row=known["row"].gather(end_k),
        return_row=known["row"].gather(return_k),
        return_stretch=known["stretch"].gather(return_k),
    ).with_columns(
        return_row=pl.when(
            (pl.col("return_stretch") == pl.col("stretch")) & (pl.col("end_k") + 1 < known.height)
        ).then("return_row")
    )
    around = pl.col("known_leak").median()
    before = over_windows(
        known,
        stops.select(
            "window",
            from_row=pl.max_horizontal(pl.col("start_k") - clamp.readings, "stretch_first_k"),
            to_row=pl.col("start_k") - 1,
        ),
        leak_before=around,
    )
    after = over_windows(
        known,
        stops.select(
            "window",
            from_row=pl.col("end_k") + 1,
            to_row=pl.min_horizontal(pl.col("end_k") + clamp.readings, "stretch_last_k"),
        ),
        leak_after=around,
    )
    stops = stops.join(before, on="window", how="left", maintain_order="left").join(
        after, on="window", how="left", maintain_order="left"
    )
    return _judge(_sightings(grid, stops, clamp), clamp, stopped, flow)


def known_flow(grid: pl.DataFrame, flow: OcclusionRules) -> pl.DataFrame:
    """
    Running minutes with a known leak of the lung, in stretches without a hole, and the runs without one.

    Returns
    -------
    `k` (number of the minute among them), `row`, `handled`, `stretch`, `known_leak`, `still` (at most
    `flow.leak_most`), `drops` (a still run begins inside a stretch), `end_k` (of the run),
    `stretch_first_k`, `stretch_last_k`.
    """
    known = (
        grid.filter(pl.col("running") & pl.col("air_leak_ml_min").is_not_null() & ~pl.col("line_open"))
        .select(
            "row", "handled", stretch=pl.struct("span_no", "breaks").rle_id(), known_leak="air_leak_ml_min"
        )
        .with_row_index("k")
        .with_columns(pl.col("k").cast(pl.Int64), still=pl.col("known_leak") <= flow.leak_most)
        .with_columns(run=pl.struct("stretch", "still").rle_id())
    )
    first = pl.col("stretch") != pl.col("stretch").shift(1)
    last = pl.col("stretch") != pl.col("stretch").shift(-1)
    run_ends = (pl.col("run") != pl.col("run").shift(-1)).fill_null(True)
    run_begins = pl.col("run") != pl.col("run").shift(1)
    return known.with_columns(
        drops=pl.col("still") & (run_begins & ~first).fill_null(False),
        end_k=pl.when(run_ends).then("k").backward_fill(),
        stretch_first_k=pl.when(first.fill_null(True)).then("k").forward_fill(),
        stretch_last_k=pl.when(last.fill_null(True)).then("k").backward_fill(),
    )


def _sightings(grid: pl.DataFrame, stops: pl.DataFrame, clamp: ClampRules) -> pl.DataFrame:
    """The rows at which breathing and its absence were seen around the stop and the return."""
    by = stops.select(pl.min_horizontal(pl.col("start_row") + clamp.stop_within, "end_row")).to_series()
    last_breath = at(grid, "breath_row", by)
    absence = at(grid, "next_absence_row", last_breath)
    breath_again = at(grid, "next_breath_row", absence)
    last_absence = at(grid, "absence_row", breath_again)
    return stops.with_columns(
        last_breath.alias("last_breath"),
        absence.alias("absence"),
        breath_again.alias("breath_again"),
        last_absence.alias("last_absence"),
        stop_runs=at(grid, "run_count", absence) - at(grid, "run_count", last_breath),
        return_runs=at(grid, "run_count", breath_again) - at(grid, "run_count", last_absence),
        stop_breaks=at(grid, "breaks", absence) - at(grid, "breaks", last_breath),
        return_breaks=at(grid, "breaks", breath_again) - at(grid, "breaks", last_absence),
    )


def _judge(
    stops: pl.DataFrame, clamp: ClampRules, stopped: FlowStoppedRules, flow: OcclusionRules
) -> pl.DataFrame:
    within = clamp.stop_within
    clauses = {
        "leaked_before": pl.col("leak_before") > flow.leak_before,
        "onset_dated": (pl.col("stop_runs") <= stopped.sudden_within) & (pl.col("stop_breaks") == 0),
        "breath_stops_with_leak": (pl.col("absence") >= pl.col("start_row") - within)
        & (pl.col("absence") <= pl.col("end_row")),
        "leak_returns": pl.col("return_row").is_not_null() & (pl.col("leak_after") > flow.leak_before),
        "breath_returns_with_leak": (pl.col("breath_again") >= pl.col("return_row") - within)
        & (pl.col("last_absence") <= pl.col("return_row") + within)
        & (pl.col("return_runs") <= stopped.sudden_within)
        & (pl.col("return_breaks") == 0),
        "in_time": pl.col("return_row") - pl.col("start_row") <= clamp.return_within,
    }
    back = pl.all_horizontal(clause.fill_null(False) for clause in return_clauses().values())
    until_breath = pl.min_horizontal("end_row", pl.col("breath_again") - 1)
    judged = stops.with_columns(**clauses).with_columns(
        kind=pl.when(back)
        .then(pl.lit(PeriodKind.CLAMPED.value))
        .otherwise(pl.lit(PeriodKind.FLOW_STOPPED.value)),
        from_row=pl.col("start_row"),
        to_row=pl.when(back).then(pl.col("return_row") - 1).otherwise(until_breath),
        grade=pl.lit(None, pl.String),
    )
    began = pl.format(
        "after handling the leak fell from {} to at most {} mL/min and breathing stopped "
        "within {} running minutes",
        pl.col("leak_before").round(1),
        pl.lit(flow.leak_most),
        pl.col("stop_runs"),
    )
    came_back = pl.format(
        "both came back together after {} min (leak {} mL/min)",
        pl.col("return_row") - pl.col("start_row"),
        pl.col("leak_after").round(1),
    )
    missing = (
        pl.when(~pl.col("leak_returns").fill_null(False))
        .then(pl.lit("the leak was not seen to come back"))
        .when(~pl.col("breath_returns_with_leak").fill_null(False))
        .then(pl.lit("breathing was not seen to come back with the leak"))
        .otherwise(pl.lit("both came back too late for a forgotten clamp"))
    )
    unknown = pl.format("{}, cause unknown", missing)
    return judged.with_columns(
        detail=pl.format("{}; {}", began, pl.when(back).then(came_back).otherwise(unknown))
    )


def dry_clauses() -> dict[str, pl.Expr]:
    """What a stop of `judge_dry_clamps` must meet to be `clamped`, by name."""
    return {
        name: pl.col(name)
        for name in ("handled_then", "no_leak", "unbroken", "stop_dated", "return_dated", "in_time")
    }


def judge_dry_clamps(
    grid: pl.DataFrame, clamp: ClampRules, stopped: FlowStoppedRules, flow: OcclusionRules
) -> pl.DataFrame:
    """
    Breathing that stops and comes back, told without a leak.

    Returns
    -------
    `from_row`, `to_row`, `kind`, `grade`, `detail`, the figures, and the clauses by name, null where unknown.
    """
    earlier_absence = pl.col("absence_row").shift(1).over("span_no")
    sightings = grid.select(
        "row",
        "handled",
        "run_count",
        "span_first_row",
        "breaks",
        last_breath="breath_row",
        breath_again="next_breath_row",
        first_absence=pl.col("absence_seen")
        & ((earlier_absence < pl.col("breath_row")) | earlier_absence.is_null()),
    )
    in_time = pl.col("breath_again") - pl.col("row") <= clamp.return_within
    stops = (
        sightings.filter("first_absence", in_time, pl.col("last_breath").is_not_null())
        .with_columns(in_time=in_time)
        .with_row_index("window")
    )
    last_absence = at(grid, "absence_row", stops["breath_again"])
    stops = stops.with_columns(
        last_absence.alias("last_absence"),
        stop_runs=pl.col("run_count") - at(sightings, "run_count", stops["last_breath"]),
        return_runs=at(sightings, "run_count", stops["breath_again"])
        - at(sightings, "run_count", last_absence),
        breaks_inside=at(grid, "breaks", stops["breath_again"]) - at(grid, "breaks", stops["last_breath"]),
    )
    # The line is clamped during the pause: what runs first after it is the first clamped minute.
    about_to_pause = pl.col("paused").shift(-1, fill_value=False)
    hands = pl.col("row").filter(pl.col("handled") & pl.col("running") & ~about_to_pause)
    known = pl.col("air_leak_ml_min").filter(pl.col("running"))
    onset = over_windows(
        grid,
        stops.select("window", from_row=pl.col("last_breath") + 1, to_row="row"),
        handled_row=hands.first(),
    )
    leak = over_windows(
        grid,
        stops.select(
            "window",
            from_row=pl.max_horizontal(pl.col("last_breath") - clamp.readings, "span_first_row"),
            to_row="breath_again",
        ),
        leak_most=known.max(),
    )
    found = (
        stops.join(onset, on="window", how="left", maintain_order="left")
        .join(leak, on="window", how="left", maintain_order="left")
        .with_columns(
            handled_then=pl.col("handled_row").is_not_null(),
            no_leak=pl.col("leak_most") <= flow.leak_most,
            unbroken=pl.col("breaks_inside") == 0,
            stop_dated=pl.col("stop_runs") <= stopped.sudden_within,
            return_dated=pl.col("return_runs") <= stopped.sudden_within,
        )
    )
    apart = pl.col("breath_again") - pl.col("last_absence")
    return found.with_columns(
        from_row=pl.col("handled_row"),
        # The line was opened somewhere between the two sightings: the middle is the best guess at it.
        to_row=pl.col("last_absence") + (apart - 1) // 2,
        kind=pl.lit(PeriodKind.CLAMPED.value),
        grade=pl.lit(None, pl.String),
        detail=pl.format(
            "after handling breathing stopped within {} running minutes and came back after {} min, "
            "seen to within {} min; no leak to stop (at most {} mL/min)",
            "stop_runs",
            pl.col("breath_again") - pl.col("handled_row"),
            apart,
            pl.col("leak_most").round(1),
        ),
    )


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
