"""Cough and motion: what else the pressure traces show."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import TraceRules
from schemas.vocabulary import ArtefactKind


def mark_artefacts(grid: pl.DataFrame, rules: TraceRules) -> pl.DataFrame:
    """
    Add `cough` and `motion`: traced minutes whose main artefact is that, on more than `artefact_share`.

    Needs `artefact_kind` and `artefact_fraction`, null where the minute has no trace: without a trace
    neither can be told.
    """
    enough = pl.col("artefact_fraction") > rules.artefact_share
    return grid.with_columns(
        cough=((pl.col("artefact_kind") == ArtefactKind.COUGH) & enough).fill_null(False),
        motion=((pl.col("artefact_kind") == ArtefactKind.MOTION) & enough).fill_null(False),
    )
