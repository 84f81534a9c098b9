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


def unresolved_clauses(rules: LineOpenRules) -> dict[str, pl.Expr]:
    """
    What makes a stretch of open line `unresolved` on a marked grid, any of these, by name.

    They speak of the whole stretch: its length (`open_stretch_minutes`), the minutes of much air of the spell
    that reaches into it (`open_flow_minutes`), and whether a trace inside it shows breathing
    (`open_breath_seen`).
    """
    return {
        "lasts_long": pl.col("open_stretch_minutes") > rules.unresolved_after,
        "much_air_for_long": pl.col("open_flow_minutes") > rules.unresolved_after,
        "breathing_seen": pl.col("open_breath_seen"),
    }


def mark_line_open(grid: pl.DataFrame, rules: LineOpenRules) -> pl.DataFrame:
    """
    Add `line_open`, `line_open_grade`, `line_open_minutes` (the run of minutes open by their readings) and
    the columns of `unresolved_clauses`.

    Open: flow above `flow` while suction is below `suction_share` of the ordered one, for `least`
    minutes on end; or the device itself rings `line_leak`. A large leak of the lung can look the same. A
    line that came off is found and closed within minutes, and no breath comes through it; so a stretch
    has the grade `unresolved` where it lasts longer than `unresolved_after`, where that much air has
    been flowing for so long before, within or after it (suction and flow come and go around their limits), or
    where a trace inside it shows breathing (its first and last minute may be half open and do not
    count). What the lung did in an unresolved stretch is unknown, not nil and not excluded. Minutes of much
    air belong to one spell where at most `unresolved_after` lies between them, a pause or a hole included:
    that ends neither a leak nor the doubt.

    Parameters
    ----------
    grid
        Needs the readings, `running`, and `traced`, `breath_seen` as from `mark_sightings`.
    """
    by_readings = pl.all_horizontal(line_open_clauses(rules).values()).fill_null(False)
    rings = pl.all_horizontal(line_leak_clauses().values()).fill_null(False)
    flows = (pl.col("running") & _minute_clauses(rules)["flow_high"]).fill_null(False)
    marked = (
        grid.with_columns(line_open=pl.all_horizontal(_minute_clauses(rules).values()).fill_null(False))
        .with_columns(line_open_minutes=run_length(pl.col("line_open")), _flows=flows)
        .with_columns(line_open=by_readings | rings, _flow_minutes=_minutes_of_spell(rules))
        .with_columns(open_stretch_minutes=run_length(pl.col("line_open")))
    )
    inside = pl.all_horizontal(
        pl.col("line_open").shift(by).over("span_no").fill_null(False) for by in (1, -1)
    )
    stretch = pl.struct("span_no", "line_open").rle_id()
    return (
        marked.with_columns(_stretch=pl.when("line_open").then(stretch))
        .with_columns(
            open_flow_minutes=pl.when("line_open")
            .then(pl.col("_flow_minutes").max().over("_stretch"))
            .otherwise(0),
            open_breath_seen=pl.col("line_open")
            & (pl.col("traced") & pl.col("breath_seen") & inside).any().over("_stretch"),
        )
        .with_columns(
            line_open_grade=pl.when(
                pl.col("line_open") & pl.any_horizontal(unresolved_clauses(rules).values())
            ).then(pl.lit(Grade.UNRESOLVED.value))
        )
        .drop("_flows", "_flow_minutes", "_stretch")
    )


def _minutes_of_spell(rules: LineOpenRules) -> pl.Expr:
    """The minutes of much air (`_flows`) in the spell of each of them, 0 elsewhere."""
    last = pl.when("_flows").then("row").forward_fill().shift(1).over("use_no")
    begins = pl.col("_flows") & (pl.col("row") - last > rules.unresolved_after).fill_null(True)
    spell = begins.cast(pl.Int64).cum_sum().over("use_no")
    minutes = pl.col("_flows").cast(pl.Int64).sum().over("use_no", spell)
    return pl.when("_flows").then(minutes).otherwise(0)
