"""Dates that lie years from where they should: from a file's own export, within it, from all other files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import TypeVar

import polars as pl

from pipeline.zones import to_utc

T = TypeVar("T")

_YEAR = timedelta(days=365)
_OWN = 2 * _YEAR  # between a log's minutes, or from them to its export: a drain lies for weeks
_OTHERS = 5 * _YEAR  # between files: old logs may be loaded beside new ones, clocks set wrong are decades off


def far_within(minutes: pl.DataFrame, exported_at: datetime | None, timezone: str | None) -> Iterator[str]:
    """
    Doubts of one log by its own dates; no machine's clock takes part.

    Minutes after the export are rejected, row by row; an export long after the minutes is only odd.
    """
    clock = minutes.select("line", "clock").drop_nulls().sort("clock", "line")
    if clock.is_empty():
        return
    last = clock["clock"][-1]
    lay = None if exported_at is None or timezone is None else exported_at - to_utc(last, timezone)
    if lay is not None and lay > _OWN:
        yield (
            f"its last minute, {last:%Y-%m-%d}, lies {_years(lay)} before its export, {exported_at:%Y-%m-%d}"
            ": a clock set wrong wrote one of them, or one is read wrong; see [clock] and [exported_at]"
        )
    step = clock["clock"].diff().max()
    if isinstance(step, timedelta) and step > _OWN:
        at = clock.filter(pl.col("clock").diff() == step).row(0, named=True)
        yield (
            f"its minutes leap by {_years(step)} to {at['clock']:%Y-%m-%d} (line {at['line']}): a clock set "
            "wrong, or a date read wrong; see [clock] format"
        )


def far_from_others(newest: Mapping[T, datetime]) -> dict[T, str]:
    """
    A doubt for each file that lies years from most others; the earlier ones stand where it is even.

    Parameters
    ----------
    newest
        Of each file its newest minute, in UTC or all by one clock: what is asked is years.

    Examples
    --------
    >>> days = {"a": datetime(2031, 3, 1), "b": datetime(2031, 4, 1), "c": datetime(2087, 3, 1)}
    >>> far_from_others(days)["c"]
    'its newest minute, 2087-03-01, lies 56 years after the nearest of most other files, 2031-04-01: a clock
    set wrong, or a date read wrong; compare it with the registry'
    """
    ordered = sorted(newest.items(), key=lambda pair: pair[1])
    clusters: list[list[tuple[T, datetime]]] = []
    for file, at in ordered:
        if clusters and at - clusters[-1][-1][1] <= _OTHERS:
            clusters[-1].append((file, at))
        else:
            clusters.append([(file, at)])
    if len(clusters) < 2:
        return {}
    most = max(clusters, key=len)
    found = {}
    for file, at in (pair for cluster in clusters if cluster is not most for pair in cluster):
        after = at > most[-1][1]
        nearest = most[-1][1] if after else most[0][1]
        apart = f"{_years(abs(at - nearest))} {'after' if after else 'before'}"
        found[file] = (
            f"its newest minute, {at:%Y-%m-%d}, lies {apart} the nearest of most other files, "
            f"{nearest:%Y-%m-%d}: a clock set wrong, or a date read wrong; compare it with the registry"
        )
    return found


def _years(apart: timedelta) -> str:
    return f"{round(apart / _YEAR)} years"
