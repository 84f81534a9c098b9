"""A map of removal rules: what each of a grid would have done, as coloured cells with their figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

from pipeline.report.look import GREYS, SERIES
from schemas.errors import CallError

_AXES = {
    "leak_at_most": "leak at most, mL/min",
    "leak_hours": "for so many hours",
    "excursion_minutes": "minutes of excursion allowed",
    "excursion_up_to": "excursion up to, mL/min",
    "output_at_most": "output at most, mL",
    "output_hours": "output over, h",
    "tidaling_within_hours": "tidaling seen within, h",
    "completeness_at_least": "data complete at least",
    "earliest_hours": "not before, h",
}
_MEASURES = (
    ("hours", "Median hours from ready to removal"),
    ("before", "Removed before ready, %"),
    ("back", "Leak back within 24 h of ready, %"),
)
_PALE, _TEXT_TURNS = "#F2F6FA", 0.72
_MOST_PANELS = 6
_CELL = (64, 46)


def rule_map(figures: pl.DataFrame, axes: Mapping[str, Sequence[float | None]]) -> alt.VConcatChart:
    """
    Draw a grid of rules, three measures side by side, each cell with its figure and what it is of.

    The first axis runs down, the second across; further ones make a row of maps for each of their
    combinations. Without two axes the rules stand below one another by their titles. A cell of which
    nothing can be told is left white. Colours run from 0 to the measure's greatest value in the picture.

    Parameters
    ----------
    figures
        WHATIF.
    axes
        Key of a rule → its values, in order; empty for rules that are no grid.

    Raises
    ------
    CallError
        Where the further axes make more rows than a page holds.
    """
    varied = [key for key, values in axes.items() if len(values) > 1]
    down, across = varied[0] if varied else None, varied[1] if len(varied) > 1 else None
    cells = _cells(figures, down, across, varied[2:])
    groups = cells["group"].unique(maintain_order=True).to_list()
    if len(groups) > _MOST_PANELS:
        raise CallError(
            f"whatif: {len(groups)} rows of maps do not fit on a picture; give the axes after the second "
            f"at most {_MOST_PANELS} combinations."
        )
    rows = [
        alt.hconcat(
            *(_panel(cells, measure, title, group, (down, across)) for measure, title in _MEASURES),
            spacing=28,
        ).resolve_scale(color="independent")
        for group in groups
    ]
    drains = int(figures["drains"].fill_null(0).to_numpy().max())
    return alt.vconcat(*rows, spacing=24).properties(
        title={
            "text": f"Removal rules looked back on, {drains} drains",
            "subtitle": [
                "Below each figure: of how many drains. No rule is a recommendation: tubes that stayed had",
                "reasons that no log shows, and who was watched after ready was selected by them.",
            ],
        }
    )


def _cells(figures: pl.DataFrame, down: str | None, across: str | None, more: Sequence[str]) -> pl.DataFrame:
    def word(key: str | None, other: pl.Expr) -> pl.Expr:
        return other if key is None else pl.col(key).map_batches(_words, return_dtype=pl.String)

    named = [pl.format(f"{_AXES[key]}: {{}}", word(key, pl.lit(""))) for key in more]
    back = 100 * pl.col("leak_back_share")
    before = 100 * pl.col("removed_before_ready_share")
    return figures.with_row_index("order").select(
        "order",
        down=word(down, pl.col("title")),
        across=word(across, pl.lit("")),
        group=pl.concat_str(named, separator="; ") if named else pl.lit(""),
        hours="hours_to_removal_median",
        hours_told=pl.format("of {}", "removed_after_ready"),
        before=before,
        before_told=pl.format("{} of {}", "removed_before_ready", "removal_told"),
        back=back,
        back_told=pl.format("{} of {}", "leak_back", pl.col("watched_fully") + pl.col("watched_partly")),
    )


def _words(values: pl.Series) -> pl.Series:
    return pl.Series(["not asked" if v is None else f"{v:g}" for v in values], dtype=pl.String)


def _panel(
    cells: pl.DataFrame, measure: str, title: str, group: str, axes: tuple[str | None, str | None]
) -> Any:
    down, across = (_AXES.get(axis or "") for axis in axes)
    # One scale for all the maps of a measure, so that colours can be compared down the page.
    top = max([*cells[measure].drop_nulls().to_list(), 1e-9])
    shown = (
        cells.filter(group=group)
        .select("down", "across", "order", value=measure, told=f"{measure}_told")
        .with_columns(
            figure=pl.when(pl.col("value").is_null())
            .then(pl.lit("–"))
            .otherwise(pl.col("value").round(0).cast(pl.Int64, strict=False).cast(pl.String))
        )
    )
    rows = shown["down"].unique(maintain_order=True).to_list()
    columns = shown["across"].unique(maintain_order=True).to_list()
    labels = down is not None or measure == _MEASURES[0][0]
    base = alt.Chart(shown).encode(
        x=alt.X("across:N", sort=columns, title=across, axis=alt.Axis(labelAngle=0, ticks=False)),
        y=alt.Y("down:N", sort=rows, title=down, axis=alt.Axis(ticks=False, labels=labels, labelLimit=420)),
    )
    colour = alt.Color("value:Q", scale=alt.Scale(domain=[0, top], range=[_PALE, SERIES[0]]), legend=None)
    dark = f"datum.value > {_TEXT_TURNS * top}"
    ink = alt.condition(dark, alt.value("white"), alt.value(GREYS[0]))
    squares = base.transform_filter("datum.value !== null").mark_rect(stroke="white", strokeWidth=2)
    figure = base.mark_text(fontSize=14, dy=-7)
    below = base.mark_text(fontSize=10, dy=10)
    return (
        squares.encode(color=colour)
        + figure.encode(text="figure:N", color=ink)
        + below.encode(text="told:N", color=ink)
    ).properties(
        title=alt.TitleParams(title, subtitle=group or alt.Undefined, fontSize=12),
        width=_CELL[0] * len(columns),
        height=_CELL[1] * len(rows),
    )
