"""Annotations by staff: from the hospital's drains to the device uses they speak of."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.claims import sound
from pipeline.cohort.holding import held_of, touches
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
    return (
        standing(annotations)
        .join(holders, on=["site", "drain_key"])
        .filter(touches())
        .select(
            "use_id",
            started_at=pl.max_horizontal("started_at", "from_at"),
            ended_at=pl.when(pl.col("ended_at").is_not_null()).then(
                pl.min_horizontal("ended_at", "until_at")
            ),
            kind="kind",
        )
        .unique()
        .sort("use_id", "started_at", "kind", "ended_at")
    )
