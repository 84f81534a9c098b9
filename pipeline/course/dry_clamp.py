"""A clamp on a drain that leaks no air: breathing alone stops after handling and comes back."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import at, over_windows
from pipeline.definitions import ClampRules, FlowStoppedRules, OcclusionRules
from schemas.vocabulary import PeriodKind


def judge_dry_clamps(
    grid: pl.DataFrame, clamp: ClampRules, stopped: FlowStoppedRules, flow: OcclusionRules
) -> pl.DataFrame:
    """
    Every stop of breathing that comes back within `clamp.return_within`, judged without a leak.

    `clamped` where it began at a minute somebody had handled the drain (`handled_then`); both the stop
    and the return are dated to within `stopped.sudden_within` running minutes by the sightings of breathing,
    or, where a walk or an undecided trace parts those by up to `flow.onset_unresolved`, by the pressure,
    which falls still at such a minute (medians of `clamp.readings` running minutes on either side); no hole
    or clock step lies between (`unbroken`); and no leak decides (`no_leak`): none above `flow.leak_most`
    while breathing was away, none that was on before. Breathing alone that does not come back is a finding
    of absence and nothing more.

    It lasts from the first handled minute to the last minute whose pressure is too still to hide a
    breath, where the minutes between the two sightings tell; else to the middle between them.

    Returns
    -------
    `from_row`, `to_row`, `kind`, `grade`, `detail`, the figures, and the clauses by name, null where unknown.
    """
    stops = _stops(grid, clamp)
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
            grid.with_columns(falls_still=_falls_still(grid, clamp)),
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
    returns_by_pressure = (pl.col("loud_row") > pl.col("last_absence") + 1) & (
        pl.col("return_runs") <= flow.onset_unresolved
    )
    apart = pl.col("breath_again") - pl.col("last_absence")
    shown = pl.col("loud_row") > pl.col("last_absence") + 1
    return stops.with_columns(
        handled_then=pl.col("handled_row").is_not_null(),
        no_leak=(pl.col("leak_most") <= flow.leak_most) & (pl.col("leak_before") <= flow.leak_before),
        unbroken=pl.col("breaks_inside") == 0,
        stop_dated=by_sightings | by_pressure,
        return_dated=(pl.col("return_runs") <= stopped.sudden_within) | returns_by_pressure,
        from_row=pl.col("handled_row"),
        to_row=pl.when(shown)
        .then(pl.col("loud_row") - 1)
        .otherwise(pl.col("last_absence") + (apart - 1) // 2),
        kind=pl.lit(PeriodKind.CLAMPED.value),
        grade=pl.lit(None, pl.String),
        detail=pl.format(
            "after handling breathing stopped within {} running minutes and came back after {} min, "
            "seen to within {} min; no leak to stop (at most {} mL/min)",
            "stop_runs",
            pl.col("breath_again") - pl.col("handled_row"),
            apart,
            pl.max_horizontal("leak_most", "leak_before").round(1),
        ),
    )


def _falls_still(grid: pl.DataFrame, clamp: ClampRules) -> pl.Series:
    """Running minutes at which the pressure, moving until then, falls still; none is told across a hole."""
    n = clamp.readings
    known = grid.filter("running").select(
        "row",
        "moved_least_cmh2o",
        "absent_below_cmh2o",
        place=pl.struct("span_no", "breaks").rle_id(),
        range_cmh2o="range_cmh2o",
    )
    middle = pl.col("range_cmh2o").rolling_median(n, min_samples=n)
    falls = known.select(
        "row",
        falls_still=(middle.shift(1).over("place") >= pl.col("moved_least_cmh2o"))
        & (middle.shift(1 - n).over("place") < pl.col("absent_below_cmh2o"))
        & (pl.col("range_cmh2o") < pl.col("absent_below_cmh2o")),
    )
    told = grid.select("row").join(falls, on="row", how="left", maintain_order="left")
    return told["falls_still"].fill_null(False)


def dry_clauses() -> dict[str, pl.Expr]:
    """What a stop of `judge_dry_clamps` must meet to be `clamped`, by name."""
    return {
        name: pl.col(name)
        for name in ("handled_then", "no_leak", "unbroken", "stop_dated", "return_dated", "in_time")
    }


def _stops(grid: pl.DataFrame, clamp: ClampRules) -> pl.DataFrame:
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
    in_time = pl.col("breath_again") - pl.col("row") <= clamp.return_within
    stops = (
        sightings.filter("first_absence", in_time, pl.col("last_breath").is_not_null())
        .with_columns(in_time=in_time)
        .with_row_index("window")
    )
    last_absence = at(grid, "absence_row", stops["breath_again"])
    return stops.with_columns(
        last_absence.alias("last_absence"),
        stop_runs=pl.col("run_count") - at(sightings, "run_count", stops["last_breath"]),
        return_runs=at(sightings, "run_count", stops["breath_again"])
        - at(sightings, "run_count", last_absence),
        breaks_inside=at(grid, "breaks", stops["breath_again"]) - at(grid, "breaks", stops["last_breath"]),
    )
