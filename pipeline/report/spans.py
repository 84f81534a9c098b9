"""A chart of rows, each with a value and the span around it: wards, rules, sites one below the other."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import altair as alt
import polars as pl

from pipeline.report.look import GREYS, SERIES

_ROW = 28  # px
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
    """
    names = rows[row].to_list()
    kept = rows.with_columns(open=pl.col(small).fill_null(False) if small else pl.lit(False))
    columns = dict.fromkeys([row, value, "open", *(c for c in (low, high, faint) if c), *tips])
    kept = kept.select(*columns)
    y = alt.Y(
        f"{row}:N",
        sort=names,
        scale=alt.Scale(domain=names),
        axis=alt.Axis(title=None, ticks=False, domain=False, labelLimit=_LABEL, labelPadding=12),
    )
    tooltip = [alt.Tooltip(f"{column}:N", title=heading) for column, heading in tips.items()]
    x = alt.X(f"{value}:Q", title=title, scale=alt.Scale(zero=True, nice=True), axis=alt.Axis(tickCount=6))
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
                    x=alt.X(f"{low}:Q", title=title), x2=faint
                )
            )
        layers.append(
            known.mark_bar(color=GREYS[3], height=10).encode(x=alt.X(f"{low}:Q", title=title), x2=high)
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
    return alt.layer(*layers).properties(height=_ROW * max(len(names), 1))
