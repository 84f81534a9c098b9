"""The device around a therapy: its wall clock, its counters, and what an export still remembers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.simulate.therapy import Therapy

UTC = pl.Datetime("us", "UTC")


@dataclass(frozen=True)
class Clock:
    """
    A device's wall clock.

    Parameters
    ----------
    timezone
        IANA name.
    follows_dst
        Whether it follows summer time; otherwise it keeps the offset it had at its first minute.
    steps
        (UTC instant, minutes): from then on the clock is put forward by so many minutes (negative:
        back), on top of earlier steps.
    """

    timezone: str
    follows_dst: bool = True
    steps: tuple[tuple[datetime, int], ...] = ()

    def wall(self, minutes: pl.Series) -> pl.Series:
        """
        The wall clock's reading at UTC minutes, as naive times.

        Examples
        --------
        >>> before = datetime.fromisoformat("2031-03-30T00:59:00+00:00")
        >>> at = pl.Series([before, before + timedelta(minutes=1)]).dt.cast_time_unit("us")
        >>> Clock("Europe/Zurich").wall(at).dt.strftime("%H:%M").to_list()
        ['01:59', '03:00']
        >>> Clock("Europe/Zurich", follows_dst=False).wall(at).dt.strftime("%H:%M").to_list()
        ['01:59', '02:00']
        """
        local = minutes.dt.convert_time_zone(self.timezone).dt.replace_time_zone(None)
        if not self.follows_dst:
            utc = minutes.dt.replace_time_zone(None)
            local = utc + (local[0] - utc[0])
        for instant, put_forward in self.steps:
            late = pl.Series([timedelta(minutes=put_forward)], dtype=pl.Duration("us"))
            local = pl.select(pl.when(minutes >= instant).then(local + late).otherwise(local)).to_series()
        return local.alias("clock")


@dataclass(frozen=True)
class Part:
    """A stretch of a therapy as one device logged it, under one session number."""

    log: pl.DataFrame
    session: int
    reset_before: bool = False


def part(
    lived: Therapy, session: int, start: int = 0, end: int | None = None, reset_before: bool = False
) -> Part:
    """The therapy's minutes from `start` to before `end`; `reset_before`: the device came from a service."""
    begin = lived.start + timedelta(minutes=start)
    until = lived.end if end is None else lived.start + timedelta(minutes=end)
    log = lived.log.filter((pl.col("minute") >= begin) & (pl.col("minute") < until))
    return Part(log, session, reset_before)


def device_rows(
    parts: Sequence[Part], clock: Clock, first_record: int = 1, with_record: bool = True
) -> pl.DataFrame:
    """
    All rows a device ever wrote, in order, with its counters and wall clock.

    A service reset lets the record counter start again from 1. Rows that were lost keep their
    numbers, so the counter shows them missing; while the device is off the counter stands still.

    Returns
    -------
    `minute` (UTC, what the clock should have said), `record`, `clock`, `session`, the readings,
    and `samples_cmh2o` where any part has traces.
    """
    frames: list[pl.DataFrame] = []
    record = first_record
    for one in parts:
        record = 1 if one.reset_before else record
        frames.append(
            one.log.with_columns(
                pl.int_range(record, record + one.log.height, dtype=pl.Int64).alias("record"),
                pl.lit(one.session, dtype=pl.Int64).alias("session"),
            )
        )
        record += one.log.height
    rows = pl.concat(frames, how="diagonal")
    rows = rows.with_columns(clock.wall(rows["minute"]))
    if not with_record:
        rows = rows.with_columns(pl.lit(None, dtype=pl.Int64).alias("record"))
    return rows.filter(~pl.col("lost")).drop("lost")


@dataclass(frozen=True)
class Export:
    """What one export holds, and when it was made."""

    at: datetime
    rows: pl.DataFrame


def exports(rows: pl.DataFrame, at: Iterable[datetime], memory: timedelta) -> list[Export]:
    """
    What the device gives at each export: the rows it still remembers, the oldest overwritten.

    Exports made within `memory` of one another overlap, with identical values.
    """
    made = [
        Export(instant, rows.filter((pl.col("minute") < instant) & (pl.col("minute") >= instant - memory)))
        for instant in at
    ]
    return [export for export in made if export.rows.height]


def with_conflicts(export: Export, every: int) -> Export:
    """The export with another leak in every so many rows: a rare fault that ledgers must show, not hide."""
    differs = pl.int_range(pl.len()) % every == every // 2
    leak = pl.col("air_leak_ml_min")
    return Export(
        export.at,
        export.rows.with_columns(pl.when(differs).then(leak + 30).otherwise(leak).alias("air_leak_ml_min")),
    )
