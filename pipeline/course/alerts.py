"""Alerts: when each rang, and how long it took until somebody dealt with it."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import AlertRules


def find_alerts(grid: pl.DataFrame, uses: pl.DataFrame, rules: AlertRules) -> pl.DataFrame:
    """
    Join the minutes an alert was seen ringing into alerts.

    A minute is heard where the log says which alerts rang, none included. Consecutive heard ringing
    minutes are one alert. One that rings on both sides of an unheard stretch of at most `bridge`
    minutes is one alert too: a hole must not multiply alerts; beyond that they are two.
    `minutes` counts heard ringing minutes only. `minutes_to_clear` is known only where both ends were
    heard and all between: null where it rang into or out of a hole, at the log's end, at its start
    (unless the log shows the use begin), or across a clock step.

    Returns
    -------
    USE_ALERT columns, and `first_row`, `last_row`, `cleared_row` (the minute it was first seen to
    have stopped, null where it was not seen), sorted by use, code and start.
    """
    heard = (
        grid.select(
            "row",
            "use_no",
            "use_id",
            "site",
            "device",
            "minute",
            "alerts",
            "clock_step",
            heard=pl.col("alerts").is_not_null(),
            # Rows whose neighbour is another use never count as heard beside this one.
            use_before=pl.col("use_no").shift(1),
            use_after=pl.col("use_no").shift(-1),
        )
        .with_columns(
            heard_no=pl.col("heard").cast(pl.Int64).cum_sum(),
            steps=pl.col("clock_step").cast(pl.Int64).cum_sum(),
            heard_before=pl.col("heard").shift(1) & (pl.col("use_before") == pl.col("use_no")),
            heard_after=pl.col("heard").shift(-1) & (pl.col("use_after") == pl.col("use_no")),
            step_after=pl.col("clock_step").shift(-1),
            first_of_use=(pl.col("use_before") != pl.col("use_no")).fill_null(True),
        )
        .filter(pl.col("heard") & (pl.col("alerts").list.len() > 0))
    )
    ringing = (
        heard.with_columns(code=pl.col("alerts").list.unique())
        .explode("code")
        .drop_nulls("code")
        .sort("use_no", "code", "row")
    )
    begins = (
        (pl.col("use_no") != pl.col("use_no").shift(1))
        | (pl.col("code") != pl.col("code").shift(1))
        | (pl.col("heard_no") - pl.col("heard_no").shift(1) != 1)
        | (pl.col("row") - pl.col("row").shift(1) - 1 > rules.bridge)
    ).fill_null(True)
    found = (
        ringing.with_columns(alert_no=begins.cast(pl.Int64).cum_sum())
        .group_by("alert_no", maintain_order=True)
        .agg(
            pl.col("use_id", "site", "device", "code").first(),
            started_at=pl.col("minute").first(),
            last_minute=pl.col("minute").last(),
            minutes=pl.len(),
            first_row=pl.col("row").first(),
            last_row=pl.col("row").last(),
            steps_inside=pl.col("steps").last() - pl.col("steps").first(),
            step_after=pl.col("step_after").last().fill_null(False),
            first_of_use=pl.col("first_of_use").first(),
            start_heard=pl.col("heard_before").first().fill_null(False),
            end_heard=pl.col("heard_after").last().fill_null(False),
        )
        .join(uses.select("use_id", "begins_with_check"), on="use_id", how="left", maintain_order="left")
    )
    length = pl.col("last_row") - pl.col("first_row") + 1
    seen_begin = pl.col("first_of_use") & pl.col("begins_with_check").fill_null(False)
    start_known = pl.col("start_heard") | seen_begin
    unbroken = (length == pl.col("minutes")) & (pl.col("steps_inside") == 0) & ~pl.col("step_after")
    return found.with_columns(
        ended_at=pl.col("last_minute") + pl.duration(minutes=1),
        minutes_to_clear=pl.when(start_known & pl.col("end_heard") & unbroken).then(length),
        cleared_row=pl.when(pl.col("end_heard")).then(pl.col("last_row") + 1),
    )
