"""Handling: running, paused, and the minutes at which somebody had a hand on the drain."""

from __future__ import annotations

import polars as pl

from schemas.vocabulary import State


def paused_clauses() -> dict[str, pl.Expr]:
    """The clause of a paused minute, by name; null where the log lacks the minute."""
    return {"state": pl.col("state") == State.PAUSE}


def no_data_clauses() -> dict[str, pl.Expr]:
    """The clause of a minute the log lacks, by name."""
    return {"lacking": ~pl.col("observed")}


def mark_state(grid: pl.DataFrame) -> pl.DataFrame:
    """Add `running`, `paused` and `no_data`; a minute the log lacks is neither running nor paused."""
    return grid.with_columns(
        running=(pl.col("state") == State.RUN).fill_null(False),
        paused=pl.all_horizontal(paused_clauses().values()).fill_null(False),
        no_data=pl.all_horizontal(no_data_clauses().values()),
    )


def mark_handled(grid: pl.DataFrame, alerts: pl.DataFrame, within: int) -> pl.DataFrame:
    """
    Add `handled`: a pause, a canister change or a handled alert lies within `within` minutes before.

    A pause counts as long as it lasts, a canister change from the first reading of the new canister,
    an alert from the minute it was seen to have stopped. A line clamped just before the pause begins
    shows in the minute before it, so a pause that begins in the next minute counts as well.

    Parameters
    ----------
    alerts
        As from `find_alerts`, with `cleared_row` (null where the alert was not seen to stop).
    """
    cleared = alerts.select(row="cleared_row", alert_handled=pl.lit(True)).drop_nulls().unique()
    changed = pl.col("canister_no") > pl.col("canister_no").shift(1).over("span_no")
    hand = pl.col("paused") | changed.fill_null(False) | pl.col("alert_handled").fill_null(False)
    lately = hand.cast(pl.UInt8).rolling_max(within + 2, min_samples=1).over("span_no") > 0
    about_to_pause = pl.col("paused").shift(-1, fill_value=False).over("span_no")
    return (
        grid.join(cleared, on="row", how="left", maintain_order="left")
        .with_columns(handled=lately | about_to_pause)
        .drop("alert_handled")
    )
