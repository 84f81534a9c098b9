"""The strip of a drain's page: what is drawn where, as a chart that the page's script feeds with data."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import altair as alt

from pipeline.report.drain_clock import SiteClock
from pipeline.report.look import GREYS, SERIES

WIDTH = 960  # px, of the panels without their axis
_AXIS = 150  # px: room for the longest lane's name
_ROW = 20
_LEAK_MARKS = (0, 20, 100, 500, 2000, 10000, 20000)
_HOLE = GREYS[3]


def strip_chart(
    begin: datetime,
    end: datetime,
    clock: SiteClock,
    lanes: Sequence[str],
    *,
    leak_most: float | None,
    swing_most: float | None,
) -> Any:
    """
    Lay out the strip: panels on one time axis, lanes of bands, and the whole course with the stretch shown.

    Data are named and come later, from the page's script, for the stretch that is shown: `leak`, `median`,
    `pressure`, `mean`, `set`, `swing`, `output`, `floor` (rows `t`, `lo`, `hi`; a row of nulls ends a line),
    `hole` (`t`, `u`), `band` (`t`, `u`, `lane`, `colour`, `label`, …), `rule` (`t`), and once `whole` (as the
    paths) and `window` (`t`, `u`: the stretch shown). Parameters, set by the script too: `span` (from, to),
    `ticks` and `days` (marks of the time axes), all in milliseconds; `pressure_y`, `fluid_y` (least, greatest
    of these axes).

    Parameters
    ----------
    begin, end
        The whole course.
    lanes
        Names from top to bottom.
    leak_most, swing_most
        Greatest of the course; null: never read, and the panel is left out.

    Returns
    -------
    A chart without configuration.
    """
    ends = [_ms(begin), _ms(end)]
    top, between, foot = (_Place(ends, clock, labels) for labels in ("top", "", "bottom"))
    panels = []
    if leak_most is not None:
        panels.append(_panel(top, 96, _leak(top, leak_most)))
    place = between if panels else top
    panels.append(_panel(place, 116, _pressure(place)))
    if swing_most is not None:
        panels.append(_panel(between, 54, _swing(between, swing_most)))
    panels.append(_panel(between, 84, _fluid(between)))
    panels.append(_lanes(foot, lanes))
    whole = _whole(ends, clock, leak_most)
    given = {"span": ends, "ticks": ends, "days": ends, "pressure_y": [-25, 0], "fluid_y": [0, 100]}
    return (
        alt.vconcat(*panels, whole, spacing=8)
        .resolve_scale(color="independent")
        .add_params(*(alt.param(name=name, value=value) for name, value in given.items()))
    )


class _Place:
    """Where an instant lies on a panel, and on which side of it (if any) the times stand."""

    def __init__(self, ends: list[int], clock: SiteClock, labels: str) -> None:
        self.ends, self.local, self.labels = ends, local_of(clock), labels

    def x(self, field: str = "t") -> Any:
        labels: Any = self.labels
        axis = alt.Axis(
            values=alt.ExprRef("ticks"),
            labelExpr=tick_words(self.local),
            labels=bool(labels),
            ticks=bool(labels),
            orient=labels or "bottom",
            title=None,
            gridColor=GREYS[4],
            labelFlush=False,
            labelBound=False,
        )
        scale = alt.Scale(domain=self.ends, domainRaw=alt.ExprRef("span"), nice=False, zero=False)
        return alt.X(f"{field}:Q", scale=scale, axis=axis)


def local_of(clock: SiteClock) -> str:
    """An expression: the site's wall clock of `datum.value`, as if it were UTC."""
    ahead = f"{clock.shifts[0][1]}" if clock.shifts else "0"
    for at, minutes in clock.shifts[1:]:
        ahead = f"(datum.value >= {_ms(at)} ? {minutes} : {ahead})"
    return f"(datum.value + 60000 * {ahead})"


def tick_words(local: str) -> str:
    """An expression: midnight by its date, any other time by the clock."""
    return (
        f"utcFormat({local}, '%H:%M') == '00:00' ? utcFormat({local}, '%a %d %b') "
        f": utcFormat({local}, '%H:%M')"
    )


def _panel(place: _Place, height: int, layers: list[Any]) -> Any:
    holes = (
        alt.Chart(alt.NamedData("hole"))
        .mark_rect(fill=_HOLE, fillOpacity=0.45, clip=True)
        .encode(place.x(), alt.X2("u:Q"))
    )
    rules = (
        alt.Chart(alt.NamedData("rule"))
        .mark_rule(color=GREYS[1], strokeDash=[2, 3], clip=True)
        .encode(place.x())
    )
    return alt.layer(holes, *layers, rules).properties(width=WIDTH, height=height)


def _path(place: _Place, name: str, y: Any, **look: Any) -> Any:
    """From least to greatest of each bucket, broken where there is none."""
    return (
        alt.Chart(alt.NamedData(name))
        .mark_area(interpolate="step-after", invalid="break-paths-filter-domains", clip=True, **look)
        .encode(place.x(), y, alt.Y2("lo:Q"))
    )


def _axis(*title: str, **more: Any) -> Any:
    return alt.Axis(
        title=list(title),
        minExtent=_AXIS,
        maxExtent=_AXIS,
        titleAngle=0,
        titleAlign="left",
        titleX=-_AXIS,
        titleAnchor="start",
        titleY=0,
        titleBaseline="top",
        **more,
    )


def _fitted(name: str, least: float, most: float) -> Any:
    return alt.Scale(domain=[least, most], domainRaw=alt.ExprRef(name), zero=False, nice=False)


def _leak(place: _Place, most: float) -> list[Any]:
    most = max(100.0, most)
    y = alt.Y(
        "hi:Q",
        scale=alt.Scale(type="symlog", constant=20, domain=[0, most], nice=False),
        axis=_axis("air leak", "mL/min", values=[v for v in _LEAK_MARKS if v <= most]),
    )
    return [
        _path(place, "leak", y, fill=SERIES[5], fillOpacity=0.6, stroke=SERIES[0], strokeWidth=1),
        _path(place, "median", y, fill=GREYS[0], fillOpacity=0.25, stroke=GREYS[0], strokeDash=[5, 3]),
    ]


def _pressure(place: _Place) -> list[Any]:
    y = alt.Y("hi:Q", scale=_fitted("pressure_y", -25, 0), axis=_axis("pressure", "cm[H2O]", tickCount=5))
    return [
        _path(place, "pressure", y, fill=SERIES[2], fillOpacity=0.35, stroke=SERIES[2], strokeWidth=0.5),
        _path(place, "mean", y, fill=GREYS[0], fillOpacity=0.5, stroke=GREYS[0], strokeWidth=1),
        _path(
            place,
            "set",
            y,
            fill=SERIES[1],
            fillOpacity=0.3,
            stroke=SERIES[1],
            strokeDash=[6, 3],
            strokeWidth=1.5,
        ),
    ]


def _swing(place: _Place, most: float) -> list[Any]:
    y = alt.Y(
        "hi:Q",
        scale=alt.Scale(domain=[0, max(2.0, most)], nice=True),
        axis=_axis("swing", "cm[H2O]", tickCount=3),
    )
    return [_path(place, "swing", y, fill=SERIES[2], fillOpacity=0.5, stroke="#00644A", strokeWidth=1.5)]


def _fluid(place: _Place) -> list[Any]:
    y = alt.Y("hi:Q", scale=_fitted("fluid_y", 0, 100), axis=_axis("fluid", "mL", tickCount=4))
    return [
        _path(place, "floor", y, fillOpacity=0, stroke=GREYS[2], strokeDash=[2, 2], strokeWidth=1),
        _path(place, "output", y, fill=SERIES[0], fillOpacity=0.5, stroke=SERIES[0], strokeWidth=2),
    ]


def _lanes(place: _Place, lanes: Sequence[str]) -> Any:
    y = alt.Y(
        "lane:N",
        sort=list(lanes),
        scale=alt.Scale(domain=list(lanes)),
        axis=alt.Axis(
            title=None,
            ticks=False,
            domain=False,
            minExtent=_AXIS,
            maxExtent=_AXIS,
            labelLimit=_AXIS,
            labelPadding=6,
        ),
    )
    base = alt.Chart(alt.NamedData("band"))
    tips = [
        alt.Tooltip(f"{name}:N", title=name)
        for name in ("what", "from", "until", "lasted", "grade", "detail")
    ]
    boxes = base.mark_rect(height={"band": 0.78}, fillOpacity=0.45, strokeWidth=0.7, clip=True).encode(
        place.x(),
        alt.X2("u:Q"),
        y,
        fill=alt.Fill("colour:N", scale=None),
        stroke=alt.value(GREYS[1]),
        tooltip=tips,
    )
    words = (
        base.transform_filter("datum.label")
        .mark_text(align="left", dx=4, color=GREYS[0], fontSize=11, clip=True)
        .encode(place.x("from_t"), y, text="label:N", tooltip=tips)
    )
    return (boxes + words).properties(width=WIDTH, height=_ROW * len(lanes))


def _whole(ends: list[int], clock: SiteClock, leak_most: float | None) -> Any:
    local = local_of(clock)
    x = alt.X(
        "t:Q",
        scale=alt.Scale(domain=ends, nice=False, zero=False),
        axis=alt.Axis(
            values=alt.ExprRef("days"),
            labelExpr=tick_words(local),
            title=None,
            labelOverlap=True,
            labelFlush=False,
        ),
    )
    y = alt.Y(
        "hi:Q",
        scale=alt.Scale(type="symlog", constant=20, domain=[0, max(100.0, leak_most or 0)], nice=False),
        axis=_axis("whole course", "(leak)", labels=False, ticks=False, grid=False, domain=False),
    )
    leak = (
        alt.Chart(alt.NamedData("whole"))
        .mark_area(
            interpolate="step-after",
            invalid="break-paths-filter-domains",
            fill=GREYS[2],
            stroke=GREYS[1],
            strokeWidth=0.7,
        )
        .encode(x, y, alt.Y2("lo:Q"))
    )
    window = (
        alt.Chart(alt.NamedData("window"))
        .mark_rect(fill=SERIES[0], fillOpacity=0.15, stroke=SERIES[0], strokeWidth=1.5)
        .encode(x, alt.X2("u:Q"))
    )
    return alt.layer(leak, window).properties(width=WIDTH, height=34)


def _ms(instant: datetime) -> int:
    return round(instant.timestamp() * 1000)
