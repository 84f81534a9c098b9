"""
The end of a leak and the two sides of the five days against the truth.

Takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from tests.evaluation.evaluate_figures import Figure
from tests.evaluation.evaluate_fleets import Beside

_EARLY_END = (
    "where the end fell into a hole, `drain.leak_ended_at` is its beginning, early by up to the hole's length"
)


def leak_end(beside: Beside) -> Iterator[Figure]:
    """The end of the last leak, in minutes from the truth; and the two sides of the five days."""
    d = beside.drains.filter(~pl.col("story").is_in(["wrong_dates", "no_log"]))
    ended = d.filter(pl.col("leak_ended_at").is_not_null(), ~pl.col("leaking_at_end"))
    told = ended.filter(pl.col("leak_ended_at_told").is_not_null())
    off = told.select(_minutes_outside("leak_ended_at_told", "leak_ended_at_told")).to_series()
    of = f"{told.height} of {ended.height} ended leaks told"
    wide = (pl.col("leak_end_latest_at") - pl.col("leak_end_earliest_at")).dt.total_minutes()
    interval = (told["leak_end_latest_at"] > told["leak_end_earliest_at"]).fill_null(False)
    outside = told.select(
        pl.min_horizontal(
            _minutes_outside("leak_end_earliest_at", "leak_end_latest_at"),
            _minutes_outside("leak_ended_at_told", "leak_ended_at_told"),
        )
    ).to_series()
    within = f"{of}; an interval is right wherever in it the end lies: see the rows below"
    yield Figure("leak end: median error, min", outside.median(), within, at_most=15)
    yield Figure("leak end: 95th percentile of the error, min", outside.quantile(0.95), within, at_most=60)
    yield Figure("leak end: error of `leak_ended_at`, median, min", off.median(), of, why=_EARLY_END)
    yield Figure(
        "leak end: error of `leak_ended_at`, 95th percentile, min", off.quantile(0.95), of, why=_EARLY_END
    )
    yield Figure("leak end: told as an interval", interval.mean(), f"{of}: {interval.sum()} as intervals")
    widths = told.filter(interval).select(wide.cast(pl.Float64)).to_series()
    some = f"{len(widths)} intervals"
    yield Figure("leak end: length of the intervals, median, min", widths.median(), some)
    yield Figure("leak end: length of the intervals, 95th percentile, min", widths.quantile(0.95), some)
    early = off.filter(interval)
    yield Figure(
        "leak end: error of `leak_ended_at` where the end is an interval, median, min", early.median(), some
    )
    made_up = d.filter("leaking_at_end", pl.col("leak_ended_at_told").is_not_null())
    yield Figure(
        "leak end: told of a lung that leaks on", float(made_up.height), f"{d.height} drains", at_most=0
    )
    margin = (pl.col("leak_hours") - 120) * 60
    near = d.filter(margin.abs() <= 150, pl.col("story") != "late_entry").with_columns(margin=margin)
    for side, some in (
        ("before", near.filter(pl.col("margin") < 0)),
        ("after", near.filter(pl.col("margin") > 0)),
    ):
        decided = some.filter(pl.col("prolonged_leak") != "unknown", pl.col("margin").abs() > 15)
        right = decided["prolonged_leak"] == ("no" if side == "before" else "yes")
        yield Figure(
            f"five days: right, leak ends 15 to 150 min {side}",
            right.mean(),
            f"{decided.height} decided of {some.filter(pl.col('margin').abs() > 15).height}",
            1.0,
        )
    edge = near.filter(pl.col("margin").abs() <= 15, pl.col("prolonged_leak") != "unknown")
    right = (
        edge["prolonged_leak"]
        == edge.select(pl.when(pl.col("margin") > 0).then(pl.lit("yes")).otherwise(pl.lit("no"))).to_series()
    )
    yield Figure("five days: right, within 15 min", right.mean(), f"{edge.height} decided")


def _minutes_outside(earliest: str, latest: str) -> pl.Expr:
    """How far the true end lies outside what was told."""
    early = (pl.col(earliest) - pl.col("leak_ended_at")).dt.total_minutes()
    late = (pl.col("leak_ended_at") - pl.col(latest)).dt.total_minutes()
    return pl.max_horizontal(early, late, pl.lit(0)).cast(pl.Float64)
