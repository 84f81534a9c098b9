"""A prolonged-leak rate as a page says it: the same words and columns in charts, tables and boxes."""

from __future__ import annotations

import polars as pl

from pipeline.report.table import Col
from pipeline.report.words import interval, per_cent, share

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
