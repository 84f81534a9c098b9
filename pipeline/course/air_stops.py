"""Where the air stops: minutes from which the log shows no leak after it showed one."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import over_windows
from pipeline.definitions import ClampRules, OcclusionRules


def find_air_stops(grid: pl.DataFrame, clamp: ClampRules, flow: OcclusionRules) -> pl.DataFrame:
    """
    Every minute at which a known leak falls to at most `flow.leak_most`, with the air and pressure around.

    Known are running minutes with a leak reading and the line not open. No window crosses a hole or a
    clock step: nothing is dated across one. Before, after and at the return `clamp.readings` known
    minutes tell the figures, by their median: a reading may miss, and a minute in which the line was
    shut is part of both.

    Returns
    -------
    One row a stop: `window`, `from_row`, `end_row` (last minute without a leak), `return_row` (the first
    with one again; null where the stretch ends), `handled` (at that minute); in mL/min `leak_before`,
    `leak_earlier` (median over `flow.leak_window` known minutes before), `leak_after` (from the return
    on); in cm[H2O] the pressure's max − min: `range_before`, `range_after` (from the stop on),
    `range_again` (from the return on), and `moved_least_cmh2o` and `absent_below_cmh2o` of the use.
    """
    known = known_flow(grid, flow)
    stops = known.filter("drops").rename({"k": "start_k"}).with_row_index("window")
    start, end = pl.col("start_k"), pl.col("end_k")
    first, last = pl.col("stretch_first_k"), pl.col("stretch_last_k")
    readings = clamp.readings
    leak, range_ = pl.col("known_leak").median(), pl.col("range_cmh2o").median()

    def window(from_k: pl.Expr, to_k: pl.Expr, **figures: pl.Expr) -> pl.DataFrame:
        windows = stops.select("window", from_row=from_k, to_row=to_k)
        return over_windows(known, windows, **figures)

    parts = (
        window(pl.max_horizontal(start - readings, first), start - 1, leak_before=leak, range_before=range_),
        window(pl.max_horizontal(start - flow.leak_window, first), start - 1, leak_earlier=leak),
        window(start, pl.min_horizontal(end, start + readings - 1), range_after=range_),
        window(end + 1, pl.min_horizontal(end + readings, last), leak_after=leak, range_again=range_),
    )
    for part in parts:
        stops = stops.join(part, on="window", how="left", maintain_order="left")
    return stops.with_columns(
        end_row=known["row"].gather(stops["end_k"]),
        return_row=pl.when(end < last).then(
            known["row"].gather((stops["end_k"] + 1).clip(upper_bound=max(known.height - 1, 0)))
        ),
    ).rename({"row": "from_row"})


def known_flow(grid: pl.DataFrame, flow: OcclusionRules) -> pl.DataFrame:
    """
    Running minutes with a known leak of the lung, in stretches without a hole, and the runs without one.

    Returns
    -------
    `k` (number of the minute among them), `row`, `handled`, `stretch`, `known_leak`, `range_cmh2o`, the
    use's limits to it, `still` (at most `flow.leak_most`), `drops` (a still run begins inside a stretch),
    `end_k` (of the run), `stretch_first_k`, `stretch_last_k`.
    """
    known = (
        grid.select(
            "row",
            "handled",
            "range_cmh2o",
            "moved_least_cmh2o",
            "absent_below_cmh2o",
            "span_no",
            "breaks",
            known_leak=pl.when(pl.col("running") & ~pl.col("line_open")).then("air_leak_ml_min"),
        )
        .filter(pl.col("known_leak").is_not_null())
        .with_columns(stretch=pl.struct("span_no", "breaks").rle_id())
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
