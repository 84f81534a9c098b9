"""The verdict of breathing at a minute, and what it was made of."""

from __future__ import annotations

import polars as pl

from pipeline.course.envelope import envelope_absent_clauses, envelope_present_clauses
from pipeline.course.periods import tidaling_findings
from pipeline.definitions import Definitions
from pipeline.explain.answer import FlagAnswer, Way
from pipeline.explain.words import RUNNING, Words, told
from schemas.vocabulary import PeriodKind, TidalingBasis, Verdict

_VERDICTS = {
    PeriodKind.TIDALING_PRESENT: Verdict.PRESENT,
    PeriodKind.TIDALING_ABSENT: Verdict.ABSENT,
    PeriodKind.TIDALING_INDETERMINATE: Verdict.INDETERMINATE,
}

_ENVELOPE = {
    "moves": Words(
        "low quantile of max − min",
        pl.col("envelope_low_cmh2o"),
        "at least",
        pl.col("moved_least_cmh2o"),
        "cm[H2O]",
        "trace.least_swing",
    ),
    "no_leak": Words("median leak", pl.col("envelope_leak_ml_min"), "at most", figure="leak.on_above"),
    "not_carried": Words(
        "minutes in which the tilt changes", pl.col("envelope_carried"), "<", figure="envelope.carried"
    ),
    "still": Words(
        "high quantile of max − min",
        pl.col("envelope_high_cmh2o"),
        "<",
        pl.col("absent_below_cmh2o"),
        "cm[H2O]",
        "trace.least_swing",
    ),
}


def explain_tidaling(marked: pl.DataFrame, row: int, definitions: Definitions) -> list[FlagAnswer]:
    """
    Why the minute of a marked grid has its verdict of tidaling, or none.

    The verdict decides the three flags. Beside it stands what it was made of: the evidence of the minute
    before it was smoothed over time, the trace that holds, and the window of max − min where no trace does.
    """
    return [
        FlagAnswer(
            kind,
            (_verdict(marked, row, kind, verdict, definitions),),
            _made_of(marked, row, verdict, definitions),
        )
        for kind, verdict in _VERDICTS.items()
    ]


def _verdict(
    marked: pl.DataFrame, row: int, kind: PeriodKind, verdict: Verdict, definitions: Definitions
) -> Way:
    clauses = {"verdict": tidaling_findings()[kind].minutes}
    words = {"verdict": Words("verdict, smoothed over time", pl.col("tidaling"), "is", verdict.value, "")}
    return told("verdict", "what stands", marked, row, clauses, words, definitions)


def _made_of(marked: pl.DataFrame, row: int, verdict: Verdict, d: Definitions) -> tuple[Way, ...]:
    evidence = {
        "running": pl.col("running"),
        "evidence": pl.col("evidence_verdict") == verdict.value,
        "held": pl.col("row") - pl.col("held_from_row") <= d.tidaling.hold,
    }
    words = {
        "running": RUNNING,
        "evidence": Words(
            "what the evidence shows before smoothing", pl.col("evidence_verdict"), "is", verdict.value, ""
        ),
        "held": Words(
            "age of the trace that holds here",
            pl.col("row") - pl.col("held_from_row"),
            "at most",
            figure="tidaling.hold",
        ),
    }
    made_of = [told("evidence", "what it rests on", marked, row, evidence, words, d)]
    if marked["tidaling_basis"][row] != TidalingBasis.TRACE.value and marked["held_from_row"][row] is None:
        made_of += _envelope(marked, row, verdict, d)
    return tuple(made_of)


def _envelope(marked: pl.DataFrame, row: int, verdict: Verdict, d: Definitions) -> list[Way]:
    says = f"max − min over the {d.envelope.window} min around, without a trace"
    clauses: dict[str, pl.Expr] = {}
    if verdict is Verdict.PRESENT:
        clauses = envelope_present_clauses(d)
    if verdict is Verdict.ABSENT:
        clauses = envelope_absent_clauses()
    return [told("envelope", says, marked, row, clauses, _ENVELOPE, d)] if clauses else []
