"""Handling: running, paused, and the minutes at which somebody had a hand on the drain."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import is_among, latest_row
from schemas.vocabulary import State

# What shows that somebody had a hand on the drain, the surest first.
HANDS = ("a pause", "a canister change", "a handled alert")


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

    And `hand`, at the very minutes at which it was: a place in `HANDS`; null at all others.

    Parameters
    ----------
    alerts
        As from `find_alerts`, with `cleared_row` (null where the alert was not seen to stop).
    """
    changes = (
        grid.select("row", "span_first_row", "canister_no", "volume_read")
        .with_columns(
            changed=pl.col("canister_no") > pl.col("canister_no").shift(1),
            last_read=pl.when("volume_read").then("row").forward_fill().shift(1),
        )
        .filter("changed", pl.col("row") > pl.col("span_first_row"))
    )
    known = (pl.col("last_read") >= pl.col("span_first_row")) & (
        pl.col("row") - pl.col("last_read") <= unread
    )
    first = pl.when(known).then(pl.col("last_read") + 1).otherwise("row")
    changing = changes.select(row=pl.int_ranges(first, pl.col("row") + 1)).explode("row")
    by_hand = pl.col("paused") | is_among(changing["row"])
    touched = by_hand | is_among(alerts["cleared_row"].drop_nulls())
    lately = (pl.col("row") - latest_row(touched) <= within + 1).fill_null(False)
    about_to = by_hand.shift(-1, fill_value=False) & (pl.col("row") < pl.col("span_last_row"))
    hand = pl.when("paused").then(0).when(by_hand).then(1).when(touched).then(2)
    return grid.with_columns(handled=lately | about_to, hand=hand.cast(pl.Int8))
