"""A chart of rows, each with a value and the span around it: wards, rules, sites one below the other."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import altair as alt
import polars as pl

from pipeline.report.look import GREYS, SERIES

_ROW, _TWO_LINES = 28, 36  # px
_LABEL = 190


def spans(
    rows: pl.DataFrame,
    row: str,
    value: str,
    title: str,
    tips: Mapping[str, str],
    *,
    low: str | None = None,
    high: str | None = None,
    faint: str | None = None,
    small: str | None = None,
    below: str | None = None,
    top: float | None = None,
) -> Any:
    """
    Draw a value a row, with the span from `low` to `high` around it.

    Parameters
    ----------
    rows
        In the order to be drawn; a row without a value says `not known` in its place.
    row
        Column with the names, each once.
    value, low, high
        Columns with numbers; without `low` and `high` a bar from 0 is drawn.
    title
        Of the axis, with the unit.
    tips
        Column → heading, of what is said where a reader points.
    faint
        A further, wider span from `low` to this column.
    small
        Column that is true where too few stand behind the row: drawn open.
    below
        Column with what stands below a row's name, such as the number behind it.
    top
        Where the axis ends. What reaches beyond it is cut there, and an arrow says up to how much it goes.
    """
    names = rows[row].to_list()
    kept = rows.with_columns(open=pl.col(small).fill_null(False) if small else pl.lit(False))
    numbers = [c for c in (value, low, high, faint) if c]
    columns = dict.fromkeys([row, *numbers, "open", *tips])
    labels = dict(zip(names, rows[below].to_list(), strict=True)) if below else {}
    beyond = _beyond(kept, row, numbers, top)
    kept = kept.select(*columns)
    if top is not None:
        kept = kept.with_columns(pl.min_horizontal(c, pl.lit(top)).alias(c) for c in numbers)
    y = alt.Y(
        f"{row}:N",
        sort=names,
        scale=alt.Scale(domain=names),
        axis=alt.Axis(
            title=None,
            ticks=False,
            domain=False,
            labelLimit=_LABEL,
            labelPadding=12,
            # Below each other, so that a long name does not cut the number off.
            labelExpr=f"[datum.value, ({json.dumps(labels)})[datum.value]]" if below else "datum.label",
        ),
    )
    tooltip = [alt.Tooltip(f"{column}:N", title=heading) for column, heading in tips.items()]
    # The title ends where the axis ends: on a narrow screen it reaches under the names and is not cut.
    axis = alt.Axis(tickCount=6, titleAnchor="end")
    x = alt.X(f"{value}:Q", title=title, scale=_scale(top), axis=axis)
    known = alt.Chart(kept.filter(pl.col(value).is_not_null())).encode(y=y, tooltip=tooltip)
    unknown = (
        alt.Chart(kept.filter(pl.col(value).is_null()))
        .mark_text(align="left", dx=4, color=GREYS[1], fontSize=12, fontStyle="italic", text="not known")
        .encode(y=y, x=alt.value(0))
    )
    hollow = alt.condition("datum.open", alt.value("white"), alt.value(SERIES[0]))
    layers = [unknown]
    if low and high:
        if faint:
            layers.append(
                known.mark_rule(color=GREYS[2], strokeWidth=2).encode(
                    x=alt.X(f"{low}:Q", title=title, scale=_scale(top), axis=axis), x2=faint
                )
            )
        layers.append(
            known.mark_bar(color=GREYS[3], height=10).encode(
                x=alt.X(f"{low}:Q", title=title, scale=_scale(top), axis=axis), x2=high
            )
        )
        layers.append(
            known.mark_point(shape="circle", size=90, filled=True, strokeWidth=2, opacity=1).encode(
                x=x, fill=hollow, stroke=alt.value(SERIES[0])
            )
        )
    else:
        layers.append(
            known.mark_bar(height=14, strokeWidth=2, minBandSize=2).encode(
                x=x, fill=hollow, stroke=alt.value(SERIES[0])
            )
        )
    if beyond.height:
        arrows = alt.Chart(beyond).mark_text(
            align="right", baseline="bottom", dx=-2, dy=-5, color=GREYS[0], fontSize=11
        )
        layers.append(arrows.encode(y=y, x=alt.value("width"), text="beyond:N"))
    return alt.layer(*layers).properties(height=(_TWO_LINES if below else _ROW) * max(len(names), 1))


def few_drawn_open(enough: float | None, rows: pl.DataFrame, small: str, what: str) -> str:
    """
    What a caption says of open marks; nothing where no row is drawn so.

    Parameters
    ----------
    enough
        Below this a row is `small`; null: no row is.
    small
        Column that is true where too few stand behind the row.
    what
        They are fewer than `enough` of these.
    """
    if enough is None or not rows[small].any():
        return ""
    return f" Open marks: fewer than {enough:g} {what} (n), too few to tell anything."


def _scale(top: float | None) -> alt.Scale:
    return alt.Scale(zero=True, nice=True) if top is None else alt.Scale(domain=[0, top], nice=False)


def _beyond(rows: pl.DataFrame, row: str, numbers: list[str], top: float | None) -> pl.DataFrame:
    """The rows of which something lies beyond the axis, and up to how much."""
    most = pl.max_horizontal(numbers)
    if top is None:
        return rows.clear().select(row)
    return rows.filter(pl.col(numbers[0]).is_not_null(), most > top).select(
        row, beyond=pl.format("to {} →", most.round(0).cast(pl.Int64))
    )
