"""Line open: air comes from the room, not from the lung."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import run_length
from pipeline.definitions import LineOpenRules
from schemas.vocabulary import AlertCode, Grade


def line_open_clauses(rules: LineOpenRules) -> dict[str, pl.Expr]:
    """
    The clauses of a line open by its readings on a marked grid, by name, each on what is known only.

    `lasts` speaks of the unbroken run of minutes that meet the others (`line_open_minutes`).
    """
    return _minute_clauses(rules) | {"lasts": pl.col("line_open_minutes") >= rules.least}


def line_leak_clauses() -> dict[str, pl.Expr]:
    """The clause of a line open by the device's own alert; null where the log does not say what rang."""
    return {"rings": pl.col("alerts").list.contains(AlertCode.LINE_LEAK.value)}


def _minute_clauses(rules: LineOpenRules) -> dict[str, pl.Expr]:
    strength = pl.col("set_pressure_cmh2o").abs()
    return {
        "running": pl.col("running"),
        "flow_high": pl.col("air_leak_ml_min") > rules.flow,
        "suction_lost": pl.col("pressure_mean_cmh2o").abs() < strength * rules.suction_share,
    }


def mark_line_open(grid: pl.DataFrame, rules: LineOpenRules) -> pl.DataFrame:
    """
    Add `line_open`, `line_open_grade` and `line_open_minutes`, the run of minutes open by their readings.

    Open: flow above `flow` while suction is below `suction_share` of the ordered one, for `least`
    minutes on end; or the device itself rings `line_leak`. A stretch longer than `unresolved_after`
    has the grade `unresolved`: a large leak of the lung can look the same, so what the lung did in
    that stretch is unknown, not nil and not excluded.
    """
    by_readings = pl.all_horizontal(line_open_clauses(rules).values()).fill_null(False)
    rings = pl.all_horizontal(line_leak_clauses().values()).fill_null(False)
    return (
        grid.with_columns(line_open=pl.all_horizontal(_minute_clauses(rules).values()).fill_null(False))
        .with_columns(line_open_minutes=run_length(pl.col("line_open")))
        .with_columns(line_open=by_readings | rings)
        .with_columns(
            line_open_grade=pl.when(run_length(pl.col("line_open")) > rules.unresolved_after).then(
                pl.lit(Grade.UNRESOLVED.value)
            )
        )
    )
