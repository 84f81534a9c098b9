"""Line open: air comes from the room, not from the lung."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import run_length
from pipeline.definitions import LineOpenRules
from schemas.vocabulary import AlertCode, Grade


def line_open_clauses(rules: LineOpenRules) -> dict[str, pl.Expr]:
    """The clauses of a minute with the line open, by name, each on what is known only."""
    strength = pl.col("set_pressure_cmh2o").abs()
    return {
        "running": pl.col("running"),
        "flow_high": pl.col("air_leak_ml_min") > rules.flow,
        "suction_lost": pl.col("pressure_mean_cmh2o").abs() < strength * rules.suction_share,
    }


def mark_line_open(grid: pl.DataFrame, rules: LineOpenRules) -> pl.DataFrame:
    """
    Add `line_open` and `line_open_grade`.

    Open: flow above `flow` while suction is below `suction_share` of the ordered one, for `least`
    minutes on end; or the device itself rings `line_leak`. A stretch longer than `unresolved_after`
    has the grade `unresolved`: a large leak of the lung can look the same, so what the lung did in
    that stretch is unknown, not nil and not excluded.
    """
    clauses = line_open_clauses(rules)
    rings = pl.col("alerts").list.contains(AlertCode.LINE_LEAK.value).fill_null(False)
    return (
        grid.with_columns(line_open=pl.all_horizontal(clauses.values()).fill_null(False))
        .with_columns(line_open=(run_length(pl.col("line_open")) >= rules.least) | rings)
        .with_columns(
            line_open_grade=pl.when(run_length(pl.col("line_open")) > rules.unresolved_after).then(
                pl.lit(Grade.UNRESOLVED.value)
            )
        )
    )
