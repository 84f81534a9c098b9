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


def mark_handled(grid: pl.DataFrame, alerts: pl.DataFrame, within: int, unread: int) -> pl.DataFrame:
    """
    Add `handled`: a pause, a canister change or a handled alert lies within `within` minutes before.

    A pause counts as long as it lasts; a canister change from just after the old canister's last reading to
    the new one's first, for it lies somewhere between, where that is at most `unread` minutes, else from the
    latter; an alert from the minute it was seen to have stopped. A line clamped just before shows in the
    minute before it, so a pause or a change that begins in the next minute counts as well.

    Parameters
    ----------
    alerts
        As from `find_alerts`, with `cleared_row` (null where the alert was not seen to stop).
    """
    cleared = alerts.select(row="cleared_row", alert_handled=pl.lit(True)).drop_nulls().unique()
    changed = (pl.col("canister_no") > pl.col("canister_no").shift(1).over("span_no")).fill_null(False)
    read = pl.when("volume_read").then("row").forward_fill().shift(1).over("span_no")
    # Each minute up to the new canister's first reading, with that reading's row and whether it is a change.
    change_row = pl.when(changed).then("row").backward_fill().over("span_no")
    last_read = pl.when(changed).then(read).backward_fill().over("span_no")
    changing = (pl.col("row") > last_read) & (change_row - last_read <= unread)
    changed = changed | changing.fill_null(False)
    hand = pl.col("paused") | changed | pl.col("alert_handled").fill_null(False)
    lately = hand.cast(pl.UInt8).rolling_max(within + 2, min_samples=1).over("span_no") > 0
    about_to = (pl.col("paused") | changed).shift(-1, fill_value=False).over("span_no")
    return (
        grid.join(cleared, on="row", how="left", maintain_order="left")
        .with_columns(handled=lately | about_to)
        .drop("alert_handled")
    )
