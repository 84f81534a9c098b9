"""Stretches without breathing, air or fluid, with what came before, during and after each."""

from __future__ import annotations

import polars as pl

from pipeline.course.draining import fluid_goes_on
from pipeline.course.grid import at, decimal, next_row, over_windows
from pipeline.definitions import OcclusionRules
from schemas.vocabulary import AlertCode, TidalingBasis, Verdict


def find_still_stretches(grid: pl.DataFrame, rules: OcclusionRules) -> pl.DataFrame:
    """
    Join the minutes of `still_clauses` into stretches, and take the figures around each.

    Pauses, up to `unseen_most` undecided minutes in a row and up to `interrupted_by` with more leak may
    lie inside; a hole, a present verdict or a clamped line ends one. So does fluid that was missing and
    comes again (`fluid_goes_on`): at the last minute up to which it was.

    What was before is told from the last sign of an open tube on (`open_row`): the last breathing seen;
    or, where none was seen within `onset_within` running minutes, the minute before leak and pressure
    stopped at once (`by_flow`: the `flow_stopped` in force where the stretch begins, if it began within
    `onset_unresolved`). Air shows a tube open as breathing does, though not that it was breathing.

    Returns
    -------
    One row a stretch: `from_row`, `to_row`, `still_minutes`. Its onset: `last_breath`, `open_row`, `by_flow`,
    `absence` (the first seen after `open_row`), `last_absence`, `onset_minutes` (running ones between the
    two), `breaks_between` (holes and clock steps), `present_between` (minutes told present between absence
    and stretch), `swing_after`, `range_after`, `swing_first_after` (at the first absence), `hands`,
    `traced_ends`, `traces_apart`, and whether between the two the pressure `falls_still` and is read
    throughout (`range_read`). Before: `leak_before`, `rate_ml_h`, `swing_before`, `swing_last` (at the last
    breathing), `earlier_swing`, `present_minutes`. Inside: `output_ml`, `last_read`, `minutes_read`,
    `expected_ml`, `expected_read_ml`, `leak_most`, `rings`, `range_still`. After: `open_again`,
    `released_ml`, `return_seen` (an open tube was seen again, with no hole or clock step between).
    """
    return _figures(grid, _onsets(grid, _stretches(grid, rules), rules), rules)


def still_clauses(rules: OcclusionRules) -> dict[str, pl.Expr]:
    """What a minute must meet to count for a stretch that could be suspected, by name."""
    return {
        "running": pl.col("running"),
        "tidaling_absent": pl.col("tidaling") == Verdict.ABSENT,
        "leak_low": pl.col("air_leak_ml_min") <= rules.leak_most,
        "not_clamped": ~pl.col("clamped"),
    }


def _stretches(grid: pl.DataFrame, rules: OcclusionRules) -> pl.DataFrame:
    still = pl.all_horizontal(still_clauses(rules).values()).fill_null(False)
    ends = pl.col("no_data") | (pl.col("tidaling") == Verdict.PRESENT) | pl.col("clamped")
    minutes = grid.select(
        "row",
        "span_no",
        still=still,
        ends=ends.cast(pl.Int64).cum_sum(),
        against=(pl.col("air_leak_ml_min") > rules.leak_most).fill_null(False).cast(pl.Int64).cum_sum(),
        unpaused=(~pl.col("paused")).cast(pl.Int64).cum_sum(),
    ).filter("still")
    begins = (
        (pl.col("span_no") != pl.col("span_no").shift(1))
        | (pl.col("ends") != pl.col("ends").shift(1))
        | (pl.col("against") - pl.col("against").shift(1) > rules.interrupted_by)
        | (pl.col("unpaused") - pl.col("unpaused").shift(1) - 1 > rules.unseen_most)
    ).fill_null(True)
    minutes = minutes.with_columns(window=begins.cast(pl.Int64).cum_sum())
    whole = minutes.group_by("window", maintain_order=True).agg(
        from_row=pl.col("row").first(), to_row=pl.col("row").last()
    )
    drains = fluid_goes_on(grid, whole, rules)
    kept = minutes.join(drains, on="window", how="left", maintain_order="left").filter(
        (pl.col("row") <= pl.col("missing_row")).fill_null(True)
    )
    return kept.group_by("window", maintain_order=True).agg(
        from_row=pl.col("row").first(),
        to_row=pl.col("row").last(),
        still_minutes=pl.len().cast(pl.Int64),
        drains_row=pl.col("drains_row").first(),
    )


def _onsets(grid: pl.DataFrame, stretches: pl.DataFrame, rules: OcclusionRules) -> pl.DataFrame:
    start = stretches["from_row"]
    breath = at(grid, "breath_row", start)
    stop_begins = pl.col("flow_stopped") & ~pl.col("flow_stopped").shift(1, fill_value=False)
    stops = grid.select(
        stop_row=pl.when("flow_stopped").then(pl.when(stop_begins).then("row").forward_fill())
    )
    seen = stretches.with_columns(
        breath.alias("last_breath"),
        at(stops, "stop_row", start),
        breath_runs=at(grid, "run_count", start) - at(grid, "run_count", breath),
        breaks_since=at(grid, "breaks", start) - at(grid, "breaks", breath),
        span_first_row=at(grid, "span_first_row", start),
        span_last_row=at(grid, "span_last_row", start),
    )
    close = (pl.col("breath_runs") <= rules.onset_within).fill_null(False)
    at_once = (pl.col("from_row") - pl.col("stop_row") <= rules.onset_unresolved) & (
        pl.col("stop_row") > pl.col("span_first_row")
    )
    by_flow = ~close & at_once.fill_null(False)
    dated = seen.with_columns(
        open_row=pl.when(by_flow).then(pl.col("stop_row") - 1).otherwise("last_breath"), by_flow=by_flow
    )
    # Without a sighting of its own (only held verdicts) absence begins where the stretch does.
    absence = at(grid, "next_absence_row", dated["open_row"]).fill_null(start)
    present = grid.select(present=(pl.col("tidaling") == Verdict.PRESENT).cast(pl.Int64).cum_sum())
    return dated.with_columns(
        absence.alias("absence"),
        last_absence=pl.max_horizontal(at(grid, "absence_row", dated["to_row"]), "from_row"),
        breaks_between=at(grid, "breaks", start) - at(grid, "breaks", dated["open_row"]),
        present_between=at(present, "present", start) - at(present, "present", absence),
        onset_minutes=at(grid, "run_count", absence) - at(grid, "run_count", dated["open_row"]),
    )


def _figures(grid: pl.DataFrame, onsets: pl.DataFrame, rules: OcclusionRules) -> pl.DataFrame:
    def window(first: pl.Expr, last: pl.Expr, **figures: pl.Expr) -> pl.DataFrame:
        inside = onsets.filter(pl.col("open_row").is_not_null()).select(
            "window",
            from_row=pl.max_horizontal(first, "span_first_row"),
            to_row=pl.min_horizontal(last, "span_last_row"),
        )
        return over_windows(grid, inside, **figures)

    opened, absence = pl.col("open_row"), pl.col("absence")
    running_leak = pl.col("air_leak_ml_min").filter(pl.col("running"))
    read = pl.col("volume_read")
    read_ml, read_row = pl.col("output_ml").filter(read), pl.col("row").filter(read)
    traced_row = pl.col("row").filter(pl.col("traced"))
    rings = pl.col("alerts").list.contains(AlertCode.LINE_BLOCKED.value).fill_null(False)
    swing = pl.col("swing_seen_cmh2o").median()
    parts = [
        window(opened - rules.leak_window + 1, opened, leak_before=running_leak.median()),
        window(
            opened - rules.look_back + 1,
            opened,
            earlier_swing=swing,
            present_minutes=(pl.col("tidaling") == Verdict.PRESENT).sum().cast(pl.Int64),
            ml_before=decimal(read_ml.last() - read_ml.first()),
            minutes_before=read_row.last() - read_row.first(),
        ),
        window(
            opened - rules.swing_window + 1,
            opened,
            swing_before=swing,
            swing_last=pl.col("swing_seen_cmh2o").drop_nulls().last(),
        ),
        window(
            absence,
            absence + rules.swing_window - 1,
            swing_after=pl.col("swing_bound_cmh2o").median(),
            swing_first_after=pl.col("swing_bound_cmh2o").drop_nulls().first(),
            range_after=pl.col("range_cmh2o").filter(pl.col("running")).median(),
            absent_below=pl.col("absent_below_cmh2o").first(),
        ),
        window(
            opened,
            absence,
            hands=pl.col("handled").any(),
            range_read=pl.col("range_cmh2o").filter(pl.col("running")).is_not_null().all(),
            traced_ends=pl.col("traced").first() & pl.col("traced").last(),
            traces_apart=traced_row.diff().max(),
        ),
        # The minute of the stop is of both kinds: the pressure may have fallen still just after it.
        window(opened, absence + rules.traces_apart, falls_still=pl.col("falls_still").any()),
        window(
            # The last minutes may only hold an older verdict, while the tube runs again.
            pl.col("from_row"),
            pl.col("last_absence"),
            last_read=read_row.last(),
            output_ml=decimal(pl.col("output_ml").last() - pl.col("output_ml").first()),
        ),
        window(
            pl.col("from_row"),
            pl.col("to_row"),
            leak_most=running_leak.max(),
            rings=rings.any(),
            range_still=pl.col("range_cmh2o").filter(pl.col("running")).median(),
            still_most=pl.col("still_most_cmh2o").first(),
        ),
        window(
            pl.col("to_row"),
            pl.col("to_row") + rules.release_within,
            open_again=((pl.col("tidaling") == Verdict.PRESENT) | _air_moves(rules)).any(),
        ),
    ]
    for part in parts:
        onsets = onsets.join(part, on="window", how="left", maintain_order="left")
    next_open = grid.select(next_open_row=next_row(pl.col("breath_seen") | _air_moves(rules)))
    return_row = at(next_open, "next_open_row", onsets["to_row"])
    unbroken = at(grid, "breaks", return_row) == at(grid, "breaks", onsets["to_row"])
    until = (return_row + rules.release_within).clip(upper_bound=onsets["span_last_row"])
    minutes = pl.col("last_absence") - pl.col("from_row") + 1
    minutes_read = pl.col("last_read") - pl.col("from_row") + 1
    earlier = pl.when(pl.col("minutes_before") >= rules.rate_least)
    return onsets.with_columns(
        ml_until=at(grid, "output_ml", until),
        ml_at_end=at(grid, "output_ml", onsets["last_absence"]),
        return_seen=unbroken.fill_null(False),
    ).with_columns(
        rate_ml_h=earlier.then(pl.col("ml_before") * 60 / pl.col("minutes_before")),
        expected_ml=earlier.then(pl.col("ml_before") * minutes / pl.col("minutes_before")),
        minutes_read=minutes_read,
        expected_read_ml=earlier.then(pl.col("ml_before") * minutes_read / pl.col("minutes_before")),
        released_ml=decimal(pl.col("ml_until") - pl.col("ml_at_end")),
        # Counted from the last reading before the stretch: at worst this is too much, never too little.
        output_ml=pl.when(pl.col("last_read").is_not_null()).then("output_ml"),
    )


def _air_moves(rules: OcclusionRules) -> pl.Expr:
    """A leak that is on and moves the pressure: an open tube, where no trace could show breathing."""
    air = pl.col("running") & (pl.col("air_leak_ml_min") > rules.leak_before)
    untraced = (pl.col("tidaling_basis") != TidalingBasis.TRACE).fill_null(True)
    return (air & untraced & (pl.col("range_cmh2o") >= pl.col("moved_least_cmh2o"))).fill_null(False)
