"""
How often a finding of each grade is right: what a reader may think of `possible` and of `probable`.

Takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s, none with a target.
"""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from tests.evaluation.evaluate_figures import Figure, runs
from tests.evaluation.evaluate_fleets import Beside
from tests.evaluation.evaluate_shut import shut_for_a_change

GRADES = ("probable", "possible", None)


def grades(beside: Beside) -> Iterator[Figure]:
    """Minutes told with a grade that are truly so, by flag and grade, and how many periods of it are right by half."""
    running = beside.minutes.filter(pl.col("state") == "run").sort("stay", "true_minute")
    asked = running.filter("line_open", pl.col("line_open_grade").is_not_null())
    yield Figure(
        "line_open: unresolved minutes that were open",
        asked["true_line_open"].mean(),
        f"{asked.height} min told unresolved",
    )
    for flag, true in (
        ("clamped", pl.col("true_clamped") | shut_for_a_change()),
        ("occlusion_suspected", pl.col("true_occluded")),
    ):
        for grade in GRADES:
            told = running.filter(flag, pl.col(f"{flag}_grade").eq_missing(grade)).with_columns(true=true)
            periods = runs(told, apart=1).agg(right=pl.col("true").mean() >= 0.5)
            yield Figure(
                f"{flag}: minutes of grade {grade or 'none'} that are right",
                told["true"].mean(),
                f"{told.height} min; {periods['right'].sum()} of {periods.height} periods right by half",
            )
