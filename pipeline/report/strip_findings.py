"""What was found, as a strip shows it: a row for each kind with its name, and for each alert that rang."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from pipeline.report.flag_rows import BANDS, ROWS
from pipeline.report.look import GREYS
from pipeline.report.strip_frame import STAMP, Frame, stamped

_ROW = 19  # px
_ALERT = "rings: "


def findings_panel(bands: pl.DataFrame, frame: Frame) -> Any:
    """The panel of `bands_of`, a box from when to when, with its grade in it where there is room."""
    rows = bands["row"].unique(maintain_order=True).to_list() or ["nothing found"]
    y = alt.Y(
        "row:N",
        sort=rows,
        scale=alt.Scale(domain=rows),
        axis=alt.Axis(title=None, ticks=False, domain=False, labelLimit=200, labelPadding=6),
    )
    drawn = stamped(bands, "at", "until")
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


def bands_of(periods: pl.DataFrame, alerts: pl.DataFrame, frame: Frame) -> pl.DataFrame:
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
            middle=(pl.col("at") + frame.offset).dt.strftime(STAMP),
            at=pl.col("at") + frame.offset,
            until=pl.col("until") + frame.offset,
            **{
                name: (pl.col(column) + frame.offset).dt.strftime("%d %b %H:%M")
                for name, column in (("from", "started_at"), ("to", "ended_at"))
            },
        )
    )


def _merged(bands: pl.DataFrame, frame: Frame) -> pl.DataFrame:
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
