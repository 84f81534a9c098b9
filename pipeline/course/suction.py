"""Suction shortfall: the drain pulls less than was ordered."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import decimal, run_length
from pipeline.definitions import ShortfallRules
from schemas.vocabulary import Grade


def shortfall_clauses(rules: ShortfallRules) -> dict[str, pl.Expr]:
    """
    The clauses of shortfall on a marked grid, by name; a blank pressure on either side leaves them null.

    `lasts` speaks of the unbroken run of minutes that meet the others (`shortfall_minutes`).
    """
    return _minute_clauses(rules) | {"lasts": pl.col("shortfall_minutes") >= rules.least}


def _minute_clauses(rules: ShortfallRules) -> dict[str, pl.Expr]:
    short_by = decimal(pl.col("pressure_mean_cmh2o") - pl.col("set_pressure_cmh2o"))
    share = decimal(pl.col("set_pressure_cmh2o").abs() * (rules.relative / 100))
    return {
        "running": pl.col("running"),
        "line_closed": ~pl.col("line_open")
        | (pl.col("line_open_grade") == Grade.UNRESOLVED).fill_null(False),
        "beyond_absolute": short_by > rules.absolute,
        "beyond_share": short_by > share,
    }


def mark_shortfall(grid: pl.DataFrame, rules: ShortfallRules) -> pl.DataFrame:
    """
    Add `suction_shortfall` and `shortfall_minutes` (how long the run lasts).

    Shortfall: mean − set above the greater of the two limits for `least` minutes on end.

    Both pressures are signed, suction negative: −12 where −20 was ordered is 8 short, −28 is not short
    at all. A minute without both pressures shows nothing and ends the stretch. No pump holds its
    suction against the room: while the line is open that is the finding, and this is none; where it is
    `unresolved` whether it was, the patient was short of suction either way.

    Parameters
    ----------
    grid
        Needs `running`, the pressures, and `line_open` with its grade.
    """
    short = pl.all_horizontal(_minute_clauses(rules).values()).fill_null(False)
    return (
        grid.with_columns(suction_shortfall=short)
        .with_columns(shortfall_minutes=run_length(pl.col("suction_shortfall")))
        .with_columns(suction_shortfall=pl.all_horizontal(shortfall_clauses(rules).values()).fill_null(False))
    )
