"""Local months of device uses and their alerts, for `device_use`."""

from __future__ import annotations

import polars as pl


def use_by_month(use: pl.DataFrame) -> pl.DataFrame:
    """
    The local months in which each device use began and ended.

    Parameters
    ----------
    use
        Rows of the lake's table `use`.

    Returns
    -------
    `use_id`, `site`, `device`, `began_month`, `ended_month` (first days of the site's local months).
    """
    last_minute = pl.col("ended_at") - pl.duration(minutes=1)
    return use.select(
        "use_id",
        "site",
        "device",
        _local_month(pl.col("started_at"), _zones(use)).alias("began_month"),
        _local_month(last_minute, _zones(use)).alias("ended_month"),
    ).sort("use_id")


def alert_by_month(use_alert: pl.DataFrame, use: pl.DataFrame) -> pl.DataFrame:
    """
    The local month in which each alert of a use began.

    Returns
    -------
    `use_id`, `site`, `device`, `code`, `month`, a row an alert.
    """
    zoned = use_alert.join(use.select("use_id", "timezone"), on="use_id", how="left")
    return zoned.select(
        "use_id",
        "site",
        "device",
        "code",
        _local_month(pl.col("started_at"), _zones(use)).alias("month"),
    ).sort("use_id", "code", "month")


def _zones(use: pl.DataFrame) -> list[str]:
    return sorted(use.get_column("timezone").unique().to_list())


def _local_month(instant: pl.Expr, zones: list[str]) -> pl.Expr:
    # A column has one zone, so each zone is converted apart and the row's own is taken.
    local = [
        pl.when(pl.col("timezone") == zone).then(instant.dt.convert_time_zone(zone).dt.date())
        for zone in zones
    ]
    return pl.coalesce(*local, pl.lit(None, dtype=pl.Date)).dt.truncate("1mo")
