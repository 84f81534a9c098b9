"""A prolonged-leak rate as a page says it: the same words and columns in charts, tables and boxes."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from pipeline.report.look import SERIES
from pipeline.report.table import Col
from pipeline.report.words import interval, per_cent, share

MARKS = ("outside", "within")
RATE_COLUMNS = {
    "prolonged": Col("prolonged"),
    "evaluable": Col("evaluable"),
    "unknown": Col("unknown"),
    "rate": Col("rate", 1, percent=True, null="none evaluable"),
    "said_interval": Col("95 % interval", right=True),
    "said_bounds": Col("if every unknown were no, or yes", right=True),
}
RATE_TIPS = {
    "said_rate": "rate",
    "said_n": "prolonged",
    "said_unknown": "unknown, not in the rate",
    "said_interval": "95 % interval",
}


def rates_told(rows: pl.DataFrame) -> pl.DataFrame:
    """
    Rates in words, for tables and for what is said where a reader points.

    Parameters
    ----------
    rows
        `counted`, `evaluable`, `prolonged`, `unknown`, `rate` with `low` and `high`, and the rates `if_no`
        and `if_yes` with every unknown a no or a yes.

    Returns
    -------
    `rows` with the columns of `RATE_TIPS` and `said_bounds`.
    """
    return rows.with_columns(
        said_rate=per_cent("rate", 1),
        said_n=pl.format("{} evaluable", share("prolonged", "evaluable")),
        said_unknown=share("unknown", "counted"),
        said_interval=interval("low", "high", 1),
        said_bounds=interval("if_no", "if_yes", 1),
    )


def marked(outside: str, unsure: pl.Expr) -> list[pl.Expr]:
    """
    How a rate's mark looks: a triangle of another colour outside its limits, open where it tells little.

    Returns
    -------
    `mark` (`outside`, `within`), `line` and `paint` (colours of its edge and of its inside).
    """
    out = pl.col(outside).fill_null(False)
    line = pl.when(out).then(pl.lit(SERIES[1])).otherwise(pl.lit(SERIES[0]))
    return [
        pl.when(out).then(pl.lit(MARKS[0])).otherwise(pl.lit(MARKS[1])).alias("mark"),
        line.alias("line"),
        pl.when(unsure.fill_null(False)).then(pl.lit("white")).otherwise(line).alias("paint"),
    ]


def mark_look() -> dict[str, Any]:
    """The encodings of a mark made by `marked`."""
    scale = alt.Scale(domain=list(MARKS), range=["triangle-up", "circle"])
    return {
        "shape": alt.Shape("mark:N", scale=scale, legend=None),
        "size": alt.condition(f"datum.mark === '{MARKS[0]}'", alt.value(200), alt.value(90)),
        "stroke": alt.Stroke("line:N", scale=None),
        "fill": alt.Fill("paint:N", scale=None),
    }
