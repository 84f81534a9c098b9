"""The curves of how long leaks last: what had ended by each hour, and who still leaked."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from pipeline.report.look import GREYS, SERIES
from pipeline.report.words import interval, per_cent

_PAPER_HOURS = 336  # two weeks: beyond, a curve of a few says little; the table of the view has all of it
_MOST_SITES = 5
_ALL = "all sites"  # no site: a site's name has no blank
_DASHES = [[1, 0], [4, 2], [2, 1], [1, 1], [1, 2, 4, 2], [8, 3]]


def incidence_curve(curves: pl.DataFrame, overall: pl.DataFrame) -> Any:
    """Leaks ended by the hour, all sites with its band and, where they are few, site by site."""
    title = "leaks ended"
    shown = _drawn(overall, "incidence", "low", "high").with_columns(
        said=per_cent("incidence", 1), said_band=interval("low", "high", 1)
    )
    x = _x(overall)
    base = alt.Chart(shown.drop("site", "still_leaking", "still_low", "still_high")).encode(x=x)
    band = base.mark_area(interpolate="step-after", color=GREYS[4]).encode(
        y=_share("low", title), y2="high:Q"
    )
    line: Any = base.mark_line(interpolate="step-after", color=SERIES[0], strokeWidth=3).encode(
        y=_share("incidence", title)
    )
    dots = base.mark_point(size=60, filled=True, color=SERIES[0], opacity=0).encode(
        y=_share("incidence", title),
        tooltip=[
            alt.Tooltip("hours:Q", title="hours", format=".1f"),
            alt.Tooltip("said:N", title="leaks ended"),
            alt.Tooltip("said_band:N", title="95 % interval"),
            alt.Tooltip("at_risk:Q", title="watched and leaking before"),
        ],
    )
    sites = curves.filter(pl.col("site").is_not_null())
    if 1 < sites["site"].n_unique() <= _MOST_SITES:
        # All sites last, so that their line lies on top; first in the legend.
        rows = pl.concat([sites, overall.with_columns(site=pl.lit(_ALL))])
        names = [_ALL, *sites["site"].unique(maintain_order=True)]
        colour = alt.Scale(domain=names, range=list(SERIES[: len(names)]))
        dashes = alt.Scale(domain=names, range=_DASHES[: len(names)])
        legend = alt.Legend(title=None, orient="top", labelLimit=220, symbolType="stroke", symbolSize=400)
        lines = alt.Chart(_drawn(rows, "incidence").select("site", "hours", "incidence")).encode(x=x)
        line = lines.mark_line(interpolate="step-after").encode(
            y=_share("incidence", title),
            color=alt.Color("site:N", scale=colour, legend=legend),
            strokeDash=alt.StrokeDash("site:N", scale=dashes, legend=legend),
            strokeWidth=alt.condition(f"datum.site == '{_ALL}'", alt.value(3), alt.value(1.5)),
        )
    return alt.layer(band, line, dots).properties(height=280)


def survival_curve(overall: pl.DataFrame) -> Any:
    """The share still leaking: faint where its band has stopped, a cross where somebody left our sight."""
    title = "still leaking"
    shown = _drawn(overall, "still_leaking", "still_low", "still_high").with_columns(
        said=per_cent("still_leaking", 1),
        said_band=interval("still_low", "still_high", 1),
        lost=pl.col("censored") + pl.col("competing"),
    )
    base = alt.Chart(shown.drop("site", "incidence", "low", "high")).encode(x=_x(overall))
    tooltip = [
        alt.Tooltip("hours:Q", title="hours", format=".1f"),
        alt.Tooltip("said:N", title="still leaking"),
        alt.Tooltip("said_band:N", title="95 % interval"),
        alt.Tooltip("at_risk:Q", title="watched and leaking before"),
        alt.Tooltip("lost:Q", title="left our sight"),
    ]
    band = base.mark_area(interpolate="step-after", color=GREYS[4]).encode(
        y=_share("still_low", title), y2="still_high:Q"
    )
    looks: list[dict[str, Any]] = [
        {"strokeWidth": 2.5},
        {"strokeWidth": 1.2, "strokeDash": [2, 4], "opacity": 0.6},
    ]
    firm, faint = (
        alt.Chart(rows)
        .mark_line(interpolate="step-after", color=SERIES[0], **look)
        .encode(x=_x(overall), y=_share("still_leaking", title))
        for rows, look in zip(
            within_band(shown.select("hours", "still_leaking", "still_low")), looks, strict=True
        )
    )
    dots = base.mark_point(size=60, filled=True, color=SERIES[0], opacity=0).encode(
        y=_share("still_leaking", title), tooltip=tooltip
    )
    lost = (
        base.transform_filter("datum.lost > 0")
        .mark_point(shape="cross", size=60, filled=True, color=GREYS[0], opacity=1)
        .encode(y=_share("still_leaking", title), tooltip=tooltip)
    )
    return alt.layer(band, faint, firm, dots, lost).properties(height=240)


def within_band(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The curve as far as it has a band, and from there on: the last few alone tell nothing for sure."""
    last = rows.filter(pl.col("still_low").is_not_null())["hours"].max()
    reach = 0.0 if last is None else last
    return rows.filter(pl.col("hours") <= reach), rows.filter(pl.col("hours") >= reach)


def _drawn(rows: pl.DataFrame, *columns: str) -> pl.DataFrame:
    return rows.filter(pl.col("hours") <= _PAPER_HOURS).with_columns(pl.col("hours", *columns).round(4))


def _x(overall: pl.DataFrame) -> alt.X:
    last = min(_PAPER_HOURS, max(24.0, float(overall["hours"][-1])))
    marks = [hour for hour in range(0, _PAPER_HOURS + 1, 24) if hour <= last]
    return alt.X(
        "hours:Q",
        title="hours after the operation",
        scale=alt.Scale(domain=[0, last], nice=False),
        axis=alt.Axis(values=marks, labelOverlap=True),
    )


def _share(field: str, title: str) -> alt.Y:
    return alt.Y(
        f"{field}:Q", scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(title=title, format="%", tickCount=5)
    )
