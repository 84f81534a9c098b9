"""A drain's course as one strip: leak, pressure, fluid and what was found, over time."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from pipeline.report.look import GREYS, SERIES
from pipeline.report.strip_findings import bands_of, findings_panel
from pipeline.report.strip_frame import Frame, inside, per_pixel, stamped

_PANEL = 110  # px


def strip(
    minutes: pl.DataFrame,
    periods: pl.DataFrame,
    alerts: pl.DataFrame,
    canisters: pl.DataFrame,
    *,
    title: str = "",
    width: int = 760,
    zoom: bool = False,
) -> Any:
    """
    Draw what happened over a use or a drain.

    Three panels share one time axis: the leak with its median over the hour, the pressure from its least to
    its greatest with the ordered one, the fluid with its canisters. Below them each finding has a row with
    its name in words, and each alert that rang.

    A pixel may stand for many minutes. Of these the least and the greatest are drawn, never a mean, so
    that a cough of one minute stays to be seen over weeks; a finding is at least one pixel wide; a pixel
    without any reading is left blank.

    Parameters
    ----------
    minutes
        The minutes to draw, every one, in time order: `minute`, `utc_offset_minutes`, `air_leak_ml_min`,
        `leak_median_ml_min`, `pressure_mean_cmh2o`, `pressure_min_cmh2o`, `pressure_max_cmh2o`,
        `set_pressure_cmh2o`, `output_ml`, `observed`.
    periods
        `kind`, `started_at`, `ended_at`, `grade`, `detail`; those outside the minutes are left out.
    alerts
        `code`, `started_at`, `ended_at`.
    canisters
        `canister_no`, `fitted_at`.
    width
        Of the panels, px.
    zoom
        Let a reader zoom and pan along time, on a page.

    Returns
    -------
    A chart without configuration of its own, for `look.picture` or a page. Times are the site's, by the
    offset of the first minute throughout.

    Raises
    ------
    ValueError
        When there are no minutes.
    """
    if minutes.is_empty():
        raise ValueError("a strip needs minutes; give those of the stretch to draw.")
    frame = Frame(minutes, width)
    pixels = per_pixel(minutes, width)
    drawn = stamped(pixels.with_columns(at=pl.col("at") + frame.offset), "at")
    panels = [
        _leak(drawn, frame),
        _pressure(drawn, frame),
        _fluid(drawn, inside(canisters.filter(pl.col("canister_no") > 1), "fitted_at", frame), frame),
        findings_panel(bands_of(periods, alerts, frame), frame),
    ]
    if zoom:
        along = alt.selection_interval(bind="scales", encodings=["x"], name="along_time")
        panels = [panel.add_params(along) for panel in panels]
    chart = alt.vconcat(*panels, spacing=6).resolve_scale(color="independent")
    return chart.properties(title=title) if title else chart


def _leak(drawn: pl.DataFrame, frame: Frame) -> Any:
    most = max(100.0, float(drawn["leak_most"].max() or 0))  # type: ignore[arg-type]
    scale = alt.Scale(type="symlog", constant=20, domain=[0, most])
    marks = [v for v in (0, 20, 100, 500, 2000, 10000) if v <= most]
    axis = alt.Axis(title=["air leak", "mL/min"], values=marks)
    y = alt.Y("leak_most:Q", scale=scale, axis=axis)
    base = alt.Chart(drawn)
    spread = base.mark_area(color=SERIES[5], opacity=0.6, line={"color": SERIES[0], "strokeWidth": 1}).encode(
        frame.x(), y, alt.Y2("leak_least:Q")
    )
    median = base.mark_line(color=GREYS[0], strokeWidth=1.5, strokeDash=[5, 3]).encode(
        frame.x(), alt.Y("leak_median:Q", scale=scale)
    )
    return (spread + median).properties(width=frame.width, height=_PANEL)


def _pressure(drawn: pl.DataFrame, frame: Frame) -> Any:
    axis = alt.Axis(title=["pressure", "cm[H2O]"], tickCount=5)
    scale = alt.Scale(zero=False, nice=True)
    base = alt.Chart(drawn)
    swing = base.mark_area(color=SERIES[2], opacity=0.45).encode(
        frame.x(), alt.Y("pressure_least:Q", scale=scale, axis=axis), alt.Y2("pressure_most:Q")
    )
    mean = base.mark_line(color=GREYS[0], strokeWidth=1).encode(
        frame.x(), alt.Y("pressure_mean:Q", scale=scale)
    )
    ordered = base.mark_line(color=SERIES[1], strokeWidth=1.5, strokeDash=[5, 3]).encode(
        frame.x(), alt.Y("set_most:Q", scale=scale)
    )
    return (swing + mean + ordered).properties(width=frame.width, height=_PANEL)


def _fluid(drawn: pl.DataFrame, canisters: pl.DataFrame, frame: Frame) -> Any:
    axis = alt.Axis(title=["fluid", "mL"], tickCount=4)
    scale = alt.Scale(zero=False, nice=True)
    line = (
        alt.Chart(drawn)
        .mark_line(color=SERIES[0], strokeWidth=2)
        .encode(frame.x(), alt.Y("output_ml:Q", scale=scale, axis=axis))
    )
    panel = line
    if canisters.height:
        shown = canisters.select(
            at=pl.col("fitted_at") + frame.offset, said=pl.format("canister {}", "canister_no")
        )
        base = alt.Chart(stamped(shown, "at"))
        panel = (
            line
            + base.mark_rule(color=GREYS[1], strokeDash=[2, 2]).encode(frame.x())
            + base.mark_text(
                align="left", dx=4, dy=-4, baseline="bottom", color=GREYS[1], fontSize=12
            ).encode(frame.x(), alt.Text("said:N"), y=alt.value(_PANEL))
        )
    return panel.properties(width=frame.width, height=_PANEL)
