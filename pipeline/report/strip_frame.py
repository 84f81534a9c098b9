"""The stretch of time a strip draws, where it lies on the paper, and what of its minutes a pixel shows."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import altair as alt
import polars as pl
import polars.selectors as cs

STAMP = "%Y-%m-%dT%H:%M:%SZ"


class Frame:
    """The stretch of time drawn, and where it lies on the paper."""

    def __init__(self, minutes: pl.DataFrame, width: int) -> None:
        first, last = minutes["minute"][0], minutes["minute"][-1]
        assert isinstance(first, datetime)
        assert isinstance(last, datetime)
        ahead = int(minutes["utc_offset_minutes"][0]) if "utc_offset_minutes" in minutes.columns else 0
        self.width = width
        self.begin, self.end = first, last + timedelta(minutes=1)
        self.offset = timedelta(minutes=ahead)
        self.pixel = (self.end - self.begin) / width
        sign = "−" if ahead < 0 else "+"
        hours, rest = divmod(abs(ahead), 60)
        clock = f"{sign}{hours}" + (f":{rest:02}" if rest else "")
        self.clock = f"local time (UTC{clock} at the start)"

    def x(self, field: str = "at", *, axis: bool = False) -> Any:
        """The time axis; drawn under the last panel only."""
        shown = alt.Axis(
            title=self.clock,
            format="%H:%M" if self.end - self.begin <= timedelta(hours=36) else "%d %b %H:%M",
            labelOverlap=True,
            tickCount=8,
        )
        domain = [(t + self.offset).strftime(STAMP) for t in (self.begin, self.end)]
        return alt.X(
            f"{field}:T",
            scale=alt.Scale(type="utc", domain=domain, nice=False),
            axis=shown if axis else alt.Axis(labels=False, ticks=False, title=None),
        )


def per_pixel(minutes: pl.DataFrame, width: int) -> pl.DataFrame:
    """
    The minutes gathered into at most `width` stretches, with the extremes of each.

    Returns
    -------
    `at` (first minute of the stretch), `until`, and per stretch `leak_least`, `leak_most`, `leak_median` (the
    greatest of the medians around), `pressure_least`, `pressure_most`, `pressure_mean` (of its middle
    minute), `set_least`, `set_most` (ordered pressure), `output_ml` (last).

    Examples
    --------
    >>> from datetime import datetime, timedelta, UTC
    >>> log = pl.DataFrame({
    ...     "minute": [datetime(2031, 3, 10, tzinfo=UTC) + timedelta(minutes=i) for i in range(6)],
    ...     "air_leak_ml_min": [0.0, 900.0, 0.0, None, None, 0.0],
    ... })
    >>> per_pixel(log, 3)["leak_most"].to_list()
    [900.0, 0.0, 0.0]
    """
    step = -(-minutes.height // width)
    blank = {name: pl.lit(None, pl.Float64).alias(name) for name in _DRAWN if name not in minutes.columns}
    # The course carries fluid on through a hole; drawn, that would look as if it had been read.
    seen = pl.col("observed") if "observed" in minutes.columns else pl.lit(True)
    return (
        minutes.with_columns(*blank.values())
        .group_by((pl.int_range(pl.len()) // step).alias("pixel"), maintain_order=True)
        .agg(
            at=pl.col("minute").first(),
            until=pl.col("minute").last() + timedelta(minutes=1),
            leak_least=pl.col("air_leak_ml_min").min(),
            leak_most=pl.col("air_leak_ml_min").max(),
            leak_median=pl.col("leak_median_ml_min").max(),
            pressure_least=pl.min_horizontal("pressure_min_cmh2o", "pressure_mean_cmh2o").min(),
            pressure_most=pl.max_horizontal("pressure_max_cmh2o", "pressure_mean_cmh2o").max(),
            pressure_mean=pl.col("pressure_mean_cmh2o").get(pl.len() // 2),
            set_least=pl.col("set_pressure_cmh2o").min(),
            set_most=pl.col("set_pressure_cmh2o").max(),
            output_ml=pl.col("output_ml").filter(seen).last(),
        )
        .drop("pixel")
    )


_DRAWN = (
    "air_leak_ml_min",
    "leak_median_ml_min",
    "pressure_mean_cmh2o",
    "pressure_min_cmh2o",
    "pressure_max_cmh2o",
    "set_pressure_cmh2o",
    "output_ml",
)


def inside(rows: pl.DataFrame, column: str, frame: Frame) -> pl.DataFrame:
    """Rows whose instant lies in the stretch."""
    return rows.filter(pl.col(column) >= frame.begin, pl.col(column) < frame.end)


def stamped(frame: pl.DataFrame, *columns: str) -> pl.DataFrame:
    """Instants as text that every renderer reads alike, whatever its own zone; other instants left out."""
    return frame.with_columns(pl.col(columns).dt.strftime(STAMP)).drop(cs.temporal())
