"""Annotations: what staff wrote beside the log, laid on the minutes of a use."""

from __future__ import annotations

import polars as pl

from pipeline.course.grid import at, bounds_of_uses, covered
from pipeline.definitions import OcclusionRules
from schemas.vocabulary import AnnotationKind, Grade

_SAID = {
    AnnotationKind.CLAMP_TRIAL: "staff noted clamp trial",
    AnnotationKind.VENTILATED: "staff noted ventilation",
    AnnotationKind.PROCEDURE: "staff noted a procedure",
    AnnotationKind.CONFIRMED_OCCLUSION: "staff noted confirmed occlusion",
    AnnotationKind.REFUTED: "staff noted that the suspicion was refuted",
    AnnotationKind.NOTE: "staff wrote a note",
}


def annotated_rows(grid: pl.DataFrame, annotations: pl.DataFrame, flow: OcclusionRules) -> pl.DataFrame:
    """
    Turn annotations into stretches of grid rows.

    A stretch covers every minute the annotation touches. Without an end it covers its first minute
    only, except a clamp trial: that one lasts until the log shows flow again (breathing seen, or a leak
    above `leak_before`), else to the end of the span, for nobody has said that the line was opened.

    Parameters
    ----------
    grid
        With `row`, `use_id`, `minute`, `running`, `air_leak_ml_min`, `next_breath_row`, `span_last_row`.
    annotations
        `use_id`, `started_at`, `ended_at` (nullable), `kind`.

    Returns
    -------
    `from_row`, `to_row`, `grade`, `detail`, `kind`, sorted.
    """

    def row_of(instant: pl.Expr) -> pl.Expr:
        return pl.col("first_row") + (instant.dt.truncate("1m") - pl.col("first")).dt.total_minutes()

    placed = (
        annotations.select("use_id", "started_at", "ended_at", "kind")
        .unique()
        .join(bounds_of_uses(grid), on="use_id", how="inner")
        .filter((pl.col("ended_at") > pl.col("started_at")) | pl.col("ended_at").is_null())
        .with_columns(
            begins=row_of(pl.col("started_at")),
            # The last minute touched: the one that holds the instant just before the end.
            ends=row_of(pl.col("ended_at") - pl.duration(microseconds=1)),
        )
        .filter(
            (pl.col("begins") <= pl.col("last_row")) & (pl.col("ends") >= pl.col("first_row")).fill_null(True)
        )
        .filter(pl.col("ended_at").is_not_null() | (pl.col("begins") >= pl.col("first_row")))
        .with_columns(from_row=pl.max_horizontal("begins", "first_row"))
    )
    # The minute in which the line was clamped may still show flow.
    after = (placed["from_row"] + 1).clip(upper_bound=max(grid.height - 1, 0))
    flows = pl.col("running") & (pl.col("air_leak_ml_min") > flow.leak_before)
    flowing = grid.select(next_leak_row=pl.when(flows).then("row").backward_fill())
    span_end = at(grid, "span_last_row", placed["from_row"])
    flow_again = pl.min_horizontal("breath", "leak", pl.col("span_end") + 1) - 1
    trial = pl.col("kind") == AnnotationKind.CLAMP_TRIAL
    open_end = pl.when(trial).then(flow_again).otherwise("from_row")
    return (
        placed.with_columns(
            breath=at(grid, "next_breath_row", after),
            leak=at(flowing, "next_leak_row", after),
            span_end=span_end,
        )
        .with_columns(to_row=pl.min_horizontal(pl.col("ends").fill_null(open_end), "last_row"))
        .with_columns(
            to_row=pl.max_horizontal("from_row", "to_row"),
            grade=pl.lit(Grade.ANNOTATED.value),
            detail=pl.format(
                "{}{}",
                pl.col("kind").replace_strict(_SAID, return_dtype=pl.String),
                pl.when(pl.col("ended_at").is_null()).then(pl.lit(", no end noted")).otherwise(pl.lit("")),
            ),
        )
        .select("from_row", "to_row", "grade", "detail", "kind")
        .sort("from_row", "to_row", "kind", "detail")
    )


def noted_in(kind: AnnotationKind) -> str:
    """The column of a marked grid that says whether an annotation of this kind is in force at the minute."""
    return f"noted_{kind.value}"


def mark_annotated(grid: pl.DataFrame, noted: pl.DataFrame) -> pl.DataFrame:
    """Add for each kind of annotation whether one is in force at the minute (`noted_in`)."""
    return grid.with_columns(
        covered(grid, noted.filter(pl.col("kind") == kind.value)).alias(noted_in(kind))
        for kind in AnnotationKind
    )
