"""Annotations by staff: from the hospital's drains to the device uses they speak of."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.claims import sound
from pipeline.cohort.holding import held_of
from pipeline.cohort.registry import standing


def use_annotations(uses: pl.DataFrame, registry: pl.DataFrame, annotations: pl.DataFrame) -> pl.DataFrame:
    """
    Lay the standing annotations of each drain over the uses that served it.

    A stretch is clipped to the part of the use that the drain holds; a moment (no `ended_at`) counts
    where it falls inside. Free text stays behind.

    Returns
    -------
    `use_id`, `started_at`, `ended_at` (null: a moment), `kind`, sorted.
    """
    holders = held_of(uses, sound(standing(registry))).holders
    started, ended = pl.col("started_at"), pl.col("ended_at")
    touches = (
        pl.when(ended.is_null() | (ended <= started))
        .then((started >= pl.col("from_at")) & (started < pl.col("until_at")))
        .otherwise((started < pl.col("until_at")) & (ended > pl.col("from_at")))
    )
    return (
        standing(annotations)
        .join(holders, on=["site", "drain_key"])
        .filter(touches)
        .select(
            "use_id",
            started_at=pl.max_horizontal("started_at", "from_at"),
            ended_at=pl.when(ended > started).then(pl.min_horizontal("ended_at", "until_at")),
            kind="kind",
        )
        .unique()
        .sort("use_id", "started_at", "kind", "ended_at")
    )
