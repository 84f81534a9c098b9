"""Cough and motion: what else the pressure traces show."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import TraceRules
from schemas.vocabulary import ArtefactKind


def artefact_clauses(kind: ArtefactKind, rules: TraceRules) -> dict[str, pl.Expr]:
    """The clauses of a minute of cough, or of motion, by name; null where the minute has no trace."""
    return {
        "main_artefact": pl.col("artefact_kind") == kind.value,
        "enough": pl.col("artefact_fraction") > rules.artefact_share,
    }


def mark_artefacts(grid: pl.DataFrame, rules: TraceRules) -> pl.DataFrame:
    """
    Add `cough` and `motion`: traced minutes whose main artefact is that, on more than `artefact_share`.

    Needs `artefact_kind` and `artefact_fraction`, null where the minute has no trace: without a trace
    neither can be told.
    """
    return grid.with_columns(
        pl.all_horizontal(artefact_clauses(kind, rules).values()).fill_null(False).alias(kind.value)
        for kind in (ArtefactKind.COUGH, ArtefactKind.MOTION)
    )
