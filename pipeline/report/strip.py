"""A drain's course as one strip: leak, pressure, fluid and what was found, over time."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import altair as alt
import polars as pl
import polars.selectors as cs

from pipeline.report.look import BANDS, GREYS, SERIES
from schemas.vocabulary import PeriodKind

# From top to bottom, as a reader asks: is it measured, is it open, does it leak, does it drain.
ROWS = {
    PeriodKind.NO_DATA: "no data",
    PeriodKind.PAUSED: "paused",
    PeriodKind.TILTED: "tilted",
    PeriodKind.SUCTION_SHORTFALL: "suction short",
    PeriodKind.LINE_OPEN: "line open",
    PeriodKind.CLAMPED: "clamped",
    PeriodKind.FLOW_STOPPED: "flow stopped",
    PeriodKind.OCCLUSION_SUSPECTED: "occlusion suspected",
    PeriodKind.TIDALING_PRESENT: "tidaling present",
    PeriodKind.TIDALING_INDETERMINATE: "tidaling undecided",
    PeriodKind.TIDALING_ABSENT: "tidaling absent",
    PeriodKind.COUGH: "cough",
    PeriodKind.MOTION: "motion",
    PeriodKind.LEAK: "leak on",
    PeriodKind.OUTPUT_SURGE: "output surge",
}
_ROW, _PANEL = 19, 110  # px
_ALERT = "rings: "
_STAMP = "%Y-%m-%dT%H:%M:%SZ"


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
    frame = _Frame(minutes, width)
    pixels = per_pixel(minutes, width)
    drawn = _stamped(pixels.with_columns(at=pl.col("at") + frame.offset), "at")
    panels = [
        _leak(drawn, frame),
        _pressure(drawn, frame),
        _fluid(drawn, _inside(canisters.filter(pl.col("canister_no") > 1), "fitted_at", frame), frame),
        _findings(_bands(periods, alerts, frame), frame),
    ]
    if zoom:
        along = alt.selection_interval(bind="scales", encodings=["x"], name="along_time")
        panels = [panel.add_params(along) for panel in panels]
    chart = alt.vconcat(*panels, spacing=6).resolve_scale(color="independent")
    return chart.properties(title=title) if title else chart


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


class _Frame:
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
        domain = [(t + self.offset).strftime(_STAMP) for t in (self.begin, self.end)]
        return alt.X(
            f"{field}:T",
            scale=alt.Scale(type="utc", domain=domain, nice=False),
            axis=shown if axis else alt.Axis(labels=False, ticks=False, title=None),
        )


def _leak(drawn: pl.DataFrame, frame: _Frame) -> Any:
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


def _pressure(drawn: pl.DataFrame, frame: _Frame) -> Any:
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


def _fluid(drawn: pl.DataFrame, canisters: pl.DataFrame, frame: _Frame) -> Any:
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
        base = alt.Chart(_stamped(shown, "at"))
        panel = (
            line
            + base.mark_rule(color=GREYS[1], strokeDash=[2, 2]).encode(frame.x())
            + base.mark_text(
                align="left", dx=4, dy=-4, baseline="bottom", color=GREYS[1], fontSize=12
            ).encode(frame.x(), alt.Text("said:N"), y=alt.value(_PANEL))
        )
    return panel.properties(width=frame.width, height=_PANEL)


def _findings(bands: pl.DataFrame, frame: _Frame) -> Any:
    rows = bands["row"].unique(maintain_order=True).to_list() or ["nothing found"]
    y = alt.Y(
        "row:N",
        sort=rows,
        scale=alt.Scale(domain=rows),
        axis=alt.Axis(title=None, ticks=False, domain=False, labelLimit=200, labelPadding=6),
    )
    drawn = _stamped(bands, "at", "until")
    base = alt.Chart(drawn)
    boxes = base.mark_bar(height=_ROW - 5, stroke=GREYS[1], strokeWidth=0.4).encode(
        frame.x(axis=True),
        alt.X2("until:T"),
        y,
        alt.Color("colour:N", scale=None),
        tooltip=[alt.Tooltip(f"{name}:N") for name in ("row", "from", "to", "grade", "detail")],
    )
    words = (
        base.transform_filter("datum.wide")
        .mark_text(align="left", dx=4, color=GREYS[0], fontSize=12)
        .encode(frame.x("middle", axis=True), y, alt.Text("grade:N"))
    )
    return (boxes + words).properties(width=frame.width, height=_ROW * len(rows))


def _bands(periods: pl.DataFrame, alerts: pl.DataFrame, frame: _Frame) -> pl.DataFrame:
    """One row a box: what is in force, from when to when on the paper, its colour and words."""
    told = pl.concat(
        [
            periods.select(
                "started_at", "ended_at", kind=pl.col("kind").cast(pl.String), grade="grade", detail="detail"
            ),
            alerts.select(
                "started_at",
                "ended_at",
                kind=pl.format("{}{}", pl.lit(_ALERT), pl.col("code").str.replace_all("_", " ")),
                grade=pl.lit(None, pl.String),
                detail=pl.lit(None, pl.String),
            ),
        ]
    ).filter(pl.col("started_at") < frame.end, pl.col("ended_at") > frame.begin)
    clipped = told.with_columns(
        at=pl.max_horizontal("started_at", pl.lit(frame.begin)),
        until=pl.min_horizontal("ended_at", pl.lit(frame.end)),
    ).with_columns(until=pl.max_horizontal("until", pl.col("at") + frame.pixel))
    place = {kind.value: place for place, kind in enumerate(ROWS)}
    words = {kind.value: said for kind, said in ROWS.items()}
    return (
        _merged(clipped, frame)
        .with_columns(
            place=pl.col("kind").replace_strict(place, default=len(place), return_dtype=pl.Int64),
            row=pl.col("kind").replace(words),
            colour=pl.col("kind").replace_strict(BANDS, default=GREYS[2], return_dtype=pl.String),
        )
        .sort("place", "kind", "at")
        .select(
            "row",
            "colour",
            "detail",
            grade=pl.col("grade").fill_null(""),
            wide=(pl.col("until") - pl.col("at") > 70 * frame.pixel) & pl.col("grade").is_not_null(),
            middle=(pl.col("at") + frame.offset).dt.strftime(_STAMP),
            at=pl.col("at") + frame.offset,
            until=pl.col("until") + frame.offset,
            **{
                name: (pl.col(column) + frame.offset).dt.strftime("%d %b %H:%M")
                for name, column in (("from", "started_at"), ("to", "ended_at"))
            },
        )
    )


def _merged(bands: pl.DataFrame, frame: _Frame) -> pl.DataFrame:
    """Boxes of one kind and grade that touch on the paper become one: weeks of coughs stay drawable."""
    ordered = bands.sort("kind", "grade", "at", "until", nulls_last=True)
    same = pl.col("kind").eq_missing(pl.col("kind").shift()) & pl.col("grade").eq_missing(
        pl.col("grade").shift()
    )
    apart = pl.col("at") - pl.col("until").shift() > frame.pixel
    return (
        ordered.with_columns(box=(~same | apart).fill_null(True).cum_sum())
        .group_by("box", maintain_order=True)
        .agg(
            pl.col("kind", "grade", "started_at", "at").first(),
            pl.col("ended_at", "until").max(),
            detail=pl.when(pl.len() == 1)
            .then(pl.col("detail").first())
            .otherwise(pl.format("{} stretches", pl.len())),
        )
        .drop("box")
    )


def _inside(rows: pl.DataFrame, column: str, frame: _Frame) -> pl.DataFrame:
    return rows.filter(pl.col(column) >= frame.begin, pl.col(column) < frame.end)


def _stamped(frame: pl.DataFrame, *columns: str) -> pl.DataFrame:
    """Instants as text that every renderer reads alike, whatever its own zone; other instants left out."""
    return frame.with_columns(pl.col(columns).dt.strftime(_STAMP)).drop(cs.temporal())
