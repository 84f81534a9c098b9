"""Output surge: a lot of fluid in a short time, listed for audit."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import decimal
from pipeline.definitions import SurgeRules


def surge_clauses(rules: SurgeRules) -> dict[str, pl.Expr]:
    """The clauses of a surge over the window, by name; null where the fluid was not read before."""
    limit = rules.rate * rules.window / 60
    return {"observed": pl.col("observed"), "rose": pl.col("output_rise_ml") > limit}


def first_hour_clauses(rules: SurgeRules) -> dict[str, pl.Expr]:
    """The clauses of a surge in a use's first hour, by name."""
    return {
        "observed": pl.col("observed"),
        "in_first_hour": pl.col("in_first_hour"),
        "came": pl.col("output_ml") > rules.first_hour,
    }


def mark_surge(grid: pl.DataFrame, uses: pl.DataFrame, rules: SurgeRules) -> pl.DataFrame:
    """
    Add `output_surge`, `output_rise_ml` (the fluid read to have come within the window before) and
    `in_first_hour` (of a use that the log shows begin).

    The rise counts from the first reading inside the window to the last: fluid that came at an unknown
    time before that reading is not counted, so a hole can only hide a surge, never make one. Surge:
    the rise exceeds `rate` × `window`, or the log shows the use begin and more than `first_hour` came
    in its first hour. Known at the minute itself, without looking ahead.
    """
    window = rules.window
    begun = (
        grid.select("use_id")
        .join(uses.select("use_id", "begins_with_check"), on="use_id", how="left", maintain_order="left")[
            "begins_with_check"
        ]
        .fill_null(False)
    )
    next_reading = pl.col("next_reading_ml")
    since = next_reading.shift(window).over("span_no")
    young = pl.col("minute_of_span") < window
    in_first_hour = (pl.col("minute_of_span") < rules.first_within) & (pl.col("span") == 0) & pl.col("begun")
    over_window, first_hour = (
        pl.all_horizontal(clauses.values()).fill_null(False)
        for clauses in (surge_clauses(rules), first_hour_clauses(rules))
    )
    return (
        grid.with_columns(
            next_reading_ml=pl.when(pl.col("volume_read"))
            .then(pl.col("output_ml"))
            .backward_fill()
            .over("span_no"),
            minute_of_span=pl.col("row") - pl.col("row").first().over("span_no"),
            begun=begun,
        )
        .with_columns(first_ml=next_reading.first().over("span_no"), in_first_hour=in_first_hour)
        .with_columns(
            output_rise_ml=decimal(
                pl.col("output_ml") - pl.when(young).then(pl.col("first_ml")).otherwise(since)
            )
        )
        .with_columns(output_surge=over_window | first_hour)
        .drop("next_reading_ml", "minute_of_span", "first_ml", "begun")
    )
