"""How fresh a ledger is: when each site and each device was last heard of, the longest silent first."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from schemas.vocabulary import IN_FORCE

_DAY_SECONDS = 86_400


def device_freshness(files: pl.DataFrame, uses: pl.DataFrame, now: datetime) -> pl.DataFrame:
    """
    When each device was last heard of.

    A device falls silent because it stands in a store room, because nobody exports it any more, or because
    its exports no longer arrive: the ledger cannot tell these apart.

    Parameters
    ----------
    files
        Rows of `load_file`.
    uses
        `site`, `device`, `ended_at` of all uses.

    Returns
    -------
    `site`, `device`, `files`, `last_export`, `last_minute`, `silent_days` (whole days since the last minute;
    null where that lies in the future, for then a clock is wrong), the longest silent first; a device
    without a single use comes before all.
    """
    exports = (
        files.filter(pl.col("status").is_in(IN_FORCE) & pl.col("device").is_not_null())
        .with_columns(device=pl.col("device").str.split(";"))
        .explode("device")
        .group_by("site", "device")
        .agg(files=pl.col("file_sha256").n_unique(), last_export=pl.col("exported_at").max())
    )
    # A use's end is the end of its last minute; told is the minute, as a log has it.
    minutes = uses.group_by("site", "device").agg(last_minute=pl.col("ended_at").max().dt.offset_by("-1m"))
    return (
        exports.join(minutes, on=["site", "device"], how="full", coalesce=True)
        .with_columns(silent=(pl.lit(now) - pl.col("last_minute")).dt.total_seconds())
        .with_columns(silent_days=pl.when(pl.col("silent") >= 0).then(pl.col("silent") // _DAY_SECONDS))
        .drop("silent")
        .sort("last_minute", "site", "device", nulls_last=False)
    )


def site_freshness(devices: pl.DataFrame, files: pl.DataFrame) -> pl.DataFrame:
    """
    When each site was last heard of.

    Parameters
    ----------
    devices
        What `device_freshness` gives.

    Returns
    -------
    `site`, `devices`, `files`, `last_export`, `last_minute`, `silent_days`, the longest silent first.
    """
    counted = (
        files.filter(pl.col("status").is_in(IN_FORCE) & pl.col("device").is_not_null())
        .group_by("site")
        .agg(files=pl.col("file_sha256").n_unique())
    )
    return (
        devices.group_by("site")
        .agg(
            devices=pl.len(),
            last_export=pl.col("last_export").max(),
            last_minute=pl.col("last_minute").max(),
            silent_days=pl.col("silent_days").min(),
        )
        .join(counted, on="site", how="left")
        .select("site", "devices", "files", "last_export", "last_minute", "silent_days")
        .sort("last_minute", "site", nulls_last=False)
    )
