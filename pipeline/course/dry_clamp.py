"""A clamp on a drain that leaks no air: breathing alone stops after handling and comes back."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import at, latest_row, over_windows, run_length
from pipeline.definitions import ClampRules, EnvelopeRules, FlowStoppedRules, OcclusionRules
from schemas.vocabulary import PeriodKind


def judge_dry_clamps(
    grid: pl.DataFrame,
    clamp: ClampRules,
    stopped: FlowStoppedRules,
    flow: OcclusionRules,
    envelope: EnvelopeRules,
) -> pl.DataFrame:
    """
    Every stop of breathing that comes back about within `clamp.return_within`, judged without a leak.

    `clamped` where it began at a minute somebody had handled the drain (`handled_then`); both the stop
    and the return are dated to within `stopped.sudden_within` running minutes by the sightings of breathing,
    or, where a walk or an undecided trace parts those by up to `flow.onset_unresolved`, by the pressure,
    which falls still at such a minute (`mark_falls_still`); no hole or clock step lies between
    (`unbroken`); and no leak decides (`no_leak`): none above `flow.leak_most` while breathing was away, none
    that was on before. Breathing alone that does not come back is a finding of absence and nothing more.
    A clamp may be shorter than the traces are apart: that breathing was away shows in at least
    `envelope.still_run` running minutes on end at the quiet floor as well.

    It lasts from the first handled minute to the last minute whose pressure is too still to hide a
    breath, where the minutes between the two sightings tell; else to the middle between them. That is at most
    `clamp.return_within` minutes (`in_time`): counted from sighting to sighting a clamp of an hour would be
    too long wherever the traces are some minutes apart.

    Returns
    -------
    `from_row`, `to_row`, `kind`, `grade`, `detail`, the figures, and the clauses by name, null where unknown.
    """
    grid = _with_still_runs(grid, envelope)
    stops = _stops(grid, clamp, flow)
    # The line is clamped during the pause: what runs first after it is the first clamped minute.
    about_to_pause = pl.col("paused").shift(-1, fill_value=False)
    by_hand = pl.col("handled") & pl.col("running") & ~about_to_pause
    hands, falls = pl.col("row").filter(by_hand), pl.col("row").filter(by_hand & pl.col("falls_still"))
    known = pl.col("air_leak_ml_min").filter(pl.col("running"))
    # Unread pressure is no still one: it ends the quiet minutes as a moving one does.
    loud = pl.col("range_cmh2o") >= pl.col("absent_below_cmh2o")
    first_loud = pl.col("row").filter(loud.fill_null(True)).min()
    parts = (
        over_windows(
            grid,
            stops.select("window", from_row=pl.col("last_breath") + 1, to_row="row"),
            hand_row=hands.first(),
            fall_row=falls.first(),
        ),
        over_windows(
            grid,
            stops.select(
                "window",
                from_row=pl.max_horizontal(pl.col("last_breath") - clamp.readings, "span_first_row"),
                to_row="last_breath",
            ),
            leak_before=known.median(),
        ),
        over_windows(
            grid, stops.select("window", from_row="row", to_row="last_absence"), leak_most=known.max()
        ),
        over_windows(
            grid,
            stops.select("window", from_row=pl.col("last_absence") + 1, to_row=pl.col("breath_again")),
            loud_row=first_loud,
        ),
    )
    for part in parts:
        stops = stops.join(part, on="window", how="left", maintain_order="left")
    stops = stops.with_columns(handled_row=pl.coalesce("fall_row", "hand_row"))
    by_sightings = pl.col("stop_runs") <= stopped.sudden_within
    by_pressure = pl.col("fall_row").is_not_null() & (pl.col("stop_runs") <= flow.onset_unresolved)
    # A quiet minute before the first that moves is seen: after the last absence, or it is that minute.
    shown = (pl.col("loud_row") > pl.col("last_absence") + 1) | pl.col("last_quiet")
    returns_by_pressure = shown & (pl.col("return_runs") <= flow.onset_unresolved)
    apart = pl.col("breath_again") - pl.col("last_absence")
    stops = stops.with_columns(
        from_row=pl.col("handled_row"),
        to_row=pl.when(shown)
        .then(pl.col("loud_row") - 1)
        .otherwise(pl.col("last_absence") + (apart - 1) // 2),
    ).with_columns(away_minutes=pl.col("to_row") - pl.col("from_row") + 1)
    return stops.with_columns(
        in_time=pl.col("away_minutes") <= clamp.return_within,
        handled_then=pl.col("handled_row").is_not_null(),
        no_leak=(pl.col("leak_most") <= flow.leak_most) & (pl.col("leak_before") <= flow.leak_before),
        unbroken=pl.col("breaks_inside") == 0,
        stop_dated=by_sightings | by_pressure,
        return_dated=(pl.col("return_runs") <= stopped.sudden_within) | returns_by_pressure,
        kind=pl.lit(PeriodKind.CLAMPED.value),
        grade=pl.lit(None, pl.String),
        detail=pl.format(
            "after handling breathing stopped within {} running minutes and came back after {} min, "
            "seen to within {} min; no leak to stop (at most {} mL/min)",
            "stop_runs",
            "away_minutes",
            apart,
            pl.max_horizontal("leak_most", "leak_before").round(1),
        ),
    )


def dry_clauses() -> dict[str, pl.Expr]:
    """What a stop of `judge_dry_clamps` must meet to be `clamped`, by name."""
    return {
        name: pl.col(name)
        for name in ("handled_then", "no_leak", "unbroken", "stop_dated", "return_dated", "in_time")
    }


def _with_still_runs(grid: pl.DataFrame, envelope: EnvelopeRules) -> pl.DataFrame:
    """The grid with untraced minutes in which nothing can hide among the sightings of absence."""
    still = (pl.col("running") & (pl.col("range_cmh2o") <= pl.col("still_most_cmh2o"))).fill_null(False)
    shown = still & ~pl.col("traced") & (pl.col("still_minutes") >= envelope.still_run)
    return (
        grid.with_columns(still_minutes=run_length(still))
        .with_columns(absence_seen=pl.col("absence_seen") | shown)
        .with_columns(absence_row=latest_row(pl.col("absence_seen")))
    )


def _stops(grid: pl.DataFrame, clamp: ClampRules, flow: OcclusionRules) -> pl.DataFrame:
    """First absences after breathing, with the sightings around them and around the return."""
    earlier_absence = pl.col("absence_row").shift(1).over("span_no")
    sightings = grid.select(
        "row",
        "run_count",
        "span_first_row",
        "breaks",
        last_breath="breath_row",
        breath_again="next_breath_row",
        first_absence=pl.col("absence_seen")
        & ((earlier_absence < pl.col("breath_row")) | earlier_absence.is_null()),
    )
    # How long it was away is judged once it is dated; traces far apart see the return that much later.
    most = clamp.return_within + flow.onset_unresolved
    soon = pl.col("breath_again") - pl.col("row") <= most
    stops = sightings.filter("first_absence", soon, pl.col("last_breath").is_not_null()).with_row_index(
        "window"
    )
    last_absence = at(grid, "absence_row", stops["breath_again"])
    quiet = grid.select(quiet=(pl.col("range_cmh2o") < pl.col("absent_below_cmh2o")).fill_null(False))
    return stops.with_columns(
        last_absence.alias("last_absence"),
        at(quiet, "quiet", last_absence).alias("last_quiet"),
        stop_runs=pl.col("run_count") - at(sightings, "run_count", stops["last_breath"]),
        return_runs=at(sightings, "run_count", stops["breath_again"])
        - at(sightings, "run_count", last_absence),
        breaks_inside=at(grid, "breaks", stops["breath_again"]) - at(grid, "breaks", stops["last_breath"]),
    )
