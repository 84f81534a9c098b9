"""How much of what should be in the log is there, by device and local day."""

from __future__ import annotations

import polars as pl

from pipeline.course.zones import official_offsets
from schemas.lake import QUALITY_DAY

_DAY = ["site", "device", "day"]


def count_days(rows: pl.DataFrame) -> pl.DataFrame:
    """
    Count the minutes of each device and local day: expected, observed, overlapping, conflicting, missing.

    Expected are the minutes inside uses, from the first to the last observed one. Overlapping came in
    several exports that agree, conflicting in several that do not. Hidden rows lie behind a later row of
    the same minute, after the clock was set back. Uncertain are those whose UTC time rests on a guess. A
    reset of the record counter counts on the day of the first minute after it.

    Parameters
    ----------
    rows
        RESOLVED columns with `instant` (minutes since 1970, UTC), `zone`, `hidden`, `counted` (whether a
        record counter names the row; `epoch` is the counter's then) and `seq` (its record), sorted by use
        and minute.

    Returns
    -------
    QUALITY_DAY, sorted.
    """
    rows = rows.with_columns(day=_local_day("instant", "utc_offset_minutes"))
    observed = rows.group_by(_DAY).agg(
        minutes_observed=pl.len(),
        minutes_overlapping=((pl.col("exports") > 1) & ~pl.col("conflicting")).sum(),
        minutes_conflicting=pl.col("conflicting").sum(),
        minutes_hidden=pl.col("hidden").sum(),
        clock_steps=pl.col("clock_step").sum(),
        minutes_uncertain=pl.col("clock_uncertain").sum(),
    )
    missing = _missing(rows).group_by(_DAY).agg(minutes_missing=pl.len())
    days = (
        observed.join(missing, on=_DAY, how="full", coalesce=True)
        .join(_resets(rows), on=_DAY, how="left")
        .with_columns(pl.exclude(_DAY).fill_null(0).cast(pl.Int64))
    )
    return QUALITY_DAY.conform(
        days.with_columns(minutes_expected=pl.col("minutes_observed") + pl.col("minutes_missing"))
    ).sort(_DAY)


def _resets(rows: pl.DataFrame) -> pl.DataFrame:
    """On which days a device's counter began anew: those of the first row of each epoch but the first."""
    later = rows.filter("counted", pl.col("epoch") > 0)
    epochs = later.group_by("site", "device", "epoch").agg(pl.col("day").sort_by("seq", "instant").first())
    return epochs.group_by(_DAY).agg(counter_resets=pl.len())


def _missing(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a minute that a use should have and has not, with its local day."""
    same_use = pl.col("use_id") == pl.col("use_id").shift()
    holes = (
        rows.select(
            "site", "device", "zone", "instant", before=pl.when(same_use).then(pl.col("instant").shift())
        )
        .filter(pl.col("instant") - pl.col("before") > 1)
        .with_columns(instant=pl.int_ranges(pl.col("before") + 1, "instant"))
        .explode("instant")
    )
    return holes.with_columns(official_offsets(holes["instant"], holes["zone"])).with_columns(
        day=_local_day("instant", "utc_offset_minutes")
    )


def _local_day(instant: str, offset: str) -> pl.Expr:
    return ((pl.col(instant) + pl.col(offset)) // 1440).cast(pl.Int32).cast(pl.Date)
