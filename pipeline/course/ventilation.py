"""A patient on a ventilator: what a note about it decides, and what it does not."""

from __future__ import annotations

import polars as pl

from pipeline.definitions import Definitions
from schemas.vocabulary import AnnotationKind, ArtefactKind, Verdict


def read_ventilated(
    evidence: pl.DataFrame, grid: pl.DataFrame, annotations: pl.DataFrame, definitions: Definitions
) -> pl.DataFrame:
    """
    Let a note of staff decide between ventilator and pump where the trace cannot.

    Under positive pressure the chest's pressure rises with each breath instead of falling, at the machine's
    rate, breath after breath alike. The sign decides nothing here (a swing counts either way up, in a trace
    as in a minute's max − min), but so regular a cycle is what a pump's regulation looks like, too: such a
    trace is `indeterminate`, its kind `pump`. Where staff noted `ventilated` and no air leaks, the pump rests
    and the cycle is the ventilator's: a swing of at least the least that counts is then `present`. While
    air leaks, or nobody read whether it does, it stays undecided; a clear `absent` stays absent, note or
    not.

    That ventilation begins or ends changes swing and rate at once and is no stop: absence alone makes
    none, and a suspicion asks for leak or fluid that stops as well.

    Parameters
    ----------
    evidence
        EVIDENCE rows.
    grid
        `use_id`, `minute`, `air_leak_ml_min`.
    annotations
        `use_id`, `started_at`, `ended_at` (null: the minute it names only), `kind`.
    definitions
        Takes `[trace]` (least swing) and `[occlusion]` (the leak up to which no air is said to flow).

    Returns
    -------
    The evidence, such traces `present`.
    """
    notes = annotations.filter(pl.col("kind") == AnnotationKind.VENTILATED).select(
        "use_id",
        begins=pl.col("started_at").dt.truncate("1m"),
        ends=pl.coalesce("ended_at", pl.col("started_at").dt.truncate("1m") + pl.duration(minutes=1)),
    )
    doubted = evidence.filter(
        pl.col("verdict") == Verdict.INDETERMINATE,
        pl.col("artefact_kind") == ArtefactKind.PUMP,
        pl.col("swing_cmh2o") >= definitions.trace.least_swing,
    ).select("use_id", "minute")
    if notes.is_empty() or doubted.is_empty():
        return evidence
    without_air = grid.filter(pl.col("air_leak_ml_min") <= definitions.occlusion.leak_most).select(
        "use_id", "minute"
    )
    decided = (
        doubted.join(notes, on="use_id")
        .filter(pl.col("minute") >= pl.col("begins"), pl.col("minute") < pl.col("ends"))
        .join(without_air, on=["use_id", "minute"])
        .select("use_id", "minute", by_note=pl.lit(True))
        .unique()
    )
    return evidence.join(decided, on=["use_id", "minute"], how="left", maintain_order="left").select(
        pl.when("by_note")
        .then(pl.lit(Verdict.PRESENT.value))
        .otherwise("verdict")
        .cast(evidence.schema["verdict"])
        .alias("verdict")
        if name == "verdict"
        else pl.col(name)
        for name in evidence.columns
    )
