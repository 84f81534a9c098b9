"""A strip as a human reader is given it: the device's readings as they are, and nothing of the pipeline's."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import altair as alt
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.report.look import GREYS, SERIES, picture

_WIDTH = 900
_ROOM = 2.0  # cm[H2O] above and below
_LEAK, _TILT = 50.0, 20.0  # mL/min and deg that an axis spans at least
# Ten times the least swing that counts as breathing: that is still seen, a flicker of the last digit is not.
_TRACE = 5.0  # cm[H2O] that the axis of each trace spans at least
_TRACES = 6  # shown of a strip at most, spread evenly from its first to its last


def strip_picture(minutes: pl.DataFrame, length: int, name: str) -> bytes:
    """
    Draw the raw readings of a strip as SVG.

    Times are minutes since the strip's beginning; site, date, device, flags and verdicts are not on it.
    Readings that the log lacks are gaps. The axis of the pressure is that of nearly all minutes; a cough runs
    beyond it. Up to six of the strip's pressure traces are drawn below, sample by sample, samples without a
    value left out; the axis of each spans at least 5 cm[H2O], so that a flicker of the last digit is small.

    Parameters
    ----------
    minutes
        RESOLVED rows of the strip with `at`: minutes since its beginning.
    length
        Minutes of the strip.
    name
        The strip's name, on top.
    """
    grid = pl.DataFrame({"at": list(range(length))}, schema={"at": pl.Int64})
    shown = grid.join(
        minutes.select(
            "at",
            "state",
            "set_pressure_cmh2o",
            "pressure_mean_cmh2o",
            "pressure_min_cmh2o",
            "pressure_max_cmh2o",
            "air_leak_ml_min",
            "canister_volume_ml",
            "tilt_deg",
        ),
        on="at",
        how="left",
    ).sort("at")
    panels = [
        _pressure(shown, length),
        _line(shown, "air_leak_ml_min", "air leak, mL/min", length, 90, most=_LEAK),
        _line(shown, "canister_volume_ml", "canister, mL", length, 70),
        _line(shown, "tilt_deg", "tilt, deg", length, 50, most=_TILT),
        *_traces(minutes),
    ]
    chart = alt.vconcat(*panels, spacing=8).properties(title=f"Strip {name}")
    with tempfile.TemporaryDirectory(prefix="drainledger-strip-") as folder:
        return picture(chart, Path(folder) / "strip.svg").read_bytes()


def shown_traces(minutes: pl.DataFrame) -> list[int]:
    """The minutes (`at`) whose traces a strip's picture shows."""
    traced = minutes.filter(pl.col("samples_cmh2o").list.len() > 0)["at"].sort().to_list()
    if len(traced) <= _TRACES:
        return traced
    return [traced[place * (len(traced) - 1) // (_TRACES - 1)] for place in range(_TRACES)]


def trace_span(samples: NDArray[np.float64]) -> list[float]:
    """
    Lowest and highest of a trace's axis in cm[H2O], at least 5 apart; empty: nothing was read.

    Examples
    --------
    >>> trace_span(np.array([-20.0, -20.1, np.nan])), trace_span(np.array([-30.0, -10.0]))
    ([-22.55, -17.55], [-30.0, -10.0])
    """
    known = samples[np.isfinite(samples)]
    if not known.size:
        return []
    low, high = float(known.min()), float(known.max())
    beside = max(0.0, _TRACE - (high - low)) / 2
    return [round(low - beside, 2), round(high + beside, 2)]


def _time(length: int, title: str | None = None) -> alt.X:
    return alt.X(
        "at:Q", title=title, scale=alt.Scale(domain=[0, length], nice=False), axis=alt.Axis(tickMinStep=1)
    )


def _pressure(shown: pl.DataFrame, length: int) -> Any:
    span = _usual(shown)
    if span:  # cut to the axis here: a clip path is numbered by the process, and bytes would differ
        cut = pl.col("pressure_mean_cmh2o", "pressure_min_cmh2o", "pressure_max_cmh2o").clip(*span)
        shown = shown.with_columns(cut)
    base = alt.Chart(shown)
    x = _time(length)
    height = 150
    scale = alt.Scale(domain=span, nice=False) if span else alt.Scale(zero=False)
    axis = alt.Y("pressure_min_cmh2o:Q", title="pressure, cm[H2O]", scale=scale)
    return alt.layer(
        base.mark_rule(stroke=SERIES[0], strokeWidth=4, opacity=0.45).encode(
            x=x, y=axis, y2="pressure_max_cmh2o:Q"
        ),
        base.mark_line(color=GREYS[0], strokeWidth=1.2).encode(x=x, y="pressure_mean_cmh2o:Q"),
        base.mark_line(color=SERIES[1], strokeDash=[4, 3], strokeWidth=1.2, interpolate="step-after").encode(
            x=x, y="set_pressure_cmh2o:Q"
        ),
        base.transform_filter("datum.state != null && datum.state != 'run'")
        .mark_text(dy=-68, fontSize=10, angle=270, align="right", color=GREYS[1])
        .encode(x=x, text="state:N"),
    ).properties(width=_WIDTH, height=height)


def _usual(shown: pl.DataFrame) -> list[float]:
    """Lowest and highest pressure of nearly all minutes, with the ordered one; empty: never read."""
    low, high = shown["pressure_min_cmh2o"].quantile(0.1), shown["pressure_max_cmh2o"].quantile(0.9)
    ordered = [float(v) for v in shown["set_pressure_cmh2o"].drop_nulls().unique().sort()]
    if low is None or high is None:
        return []
    return [min([low, *ordered]) - _ROOM, max([high, *ordered]) + _ROOM]


def _line(
    shown: pl.DataFrame, column: str, title: str, length: int, height: int, *, most: float | None = None
) -> Any:
    # A scale of its own for every strip would make a wave of the last digit.
    highest = shown[column].max()
    top = None if most is None else max(most, float(highest) if isinstance(highest, float) else 0.0)
    scale = alt.Scale(zero=False) if top is None else alt.Scale(domain=[0, top])
    last = column == "tilt_deg"
    return (
        alt.Chart(shown)
        .mark_line(color=GREYS[0], strokeWidth=1.2, point=alt.OverlayMarkDef(size=8, color=GREYS[0]))
        .encode(
            x=_time(length, "minutes since the strip began" if last else None),
            y=alt.Y(f"{column}:Q", title=title, scale=scale),
        )
        .properties(width=_WIDTH, height=height)
    )


def _traces(minutes: pl.DataFrame) -> list[Any]:
    traced = minutes.filter(pl.col("at").is_in(shown_traces(minutes))).sort("at")
    charts = []
    for row in traced.iter_rows(named=True):
        samples = np.asarray(row["samples_cmh2o"], dtype=np.float64)
        seconds = np.arange(len(samples)) / row["rate_hz"]
        known = np.where(np.isfinite(samples), samples, np.nan)
        span = trace_span(samples)
        scale = alt.Scale(domain=span, nice=False) if span else alt.Scale(zero=False)
        frame = pl.DataFrame({"second": seconds, "pressure": known}).with_columns(
            pl.col("pressure").fill_nan(None)
        )
        charts.append(
            alt.Chart(frame)
            .mark_line(color=SERIES[0], strokeWidth=1)
            .encode(
                x=alt.X("second:Q", title=f"seconds of minute {row['at']}", scale=alt.Scale(nice=False)),
                y=alt.Y("pressure:Q", title="cm[H2O]", scale=scale),
            )
            .properties(width=_WIDTH, height=70)
        )
    return charts
