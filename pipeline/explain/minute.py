"""One minute explained: what was read, what its trace shows, and every flag with every clause."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from pipeline.course.annotated import annotated_rows
from pipeline.course.findings import findings_of
from pipeline.course.periods import flags_of
from pipeline.definitions import Definitions
from pipeline.explain.answer import FlagAnswer, Value
from pipeline.explain.readings import explain_readings
from pipeline.explain.stretches import explain_stretches
from pipeline.explain.tidaling import explain_tidaling
from schemas.errors import LedgerError
from schemas.lake import EVIDENCE, EVIDENCE_COLUMNS, READINGS
from schemas.vocabulary import PeriodKind


@dataclass(frozen=True)
class Trace:
    """What one pressure trace shows, and how many minutes before the minute asked about it was taken."""

    minute: datetime
    minutes_before: int
    shows: dict[str, Value]


@dataclass(frozen=True)
class Explained:
    """
    One minute of a use.

    Parameters
    ----------
    readings
        Every reading of the minute and what was derived from it, by the names of the minute table.
    trace
        The minute's own trace, else the last one before it in the use; null where there is none.
    flags
        Every kind of period, in the contract's order.
    annotations
        What staff noted about this minute: kind and words.
    """

    minute: datetime
    readings: dict[str, Value]
    trace: Trace | None
    flags: tuple[FlagAnswer, ...]
    annotations: tuple[dict[str, str], ...]

    @property
    def in_force(self) -> list[str]:
        """The flags in force, in the contract's order."""
        return [flag.kind for flag in self.flags if flag.in_force]


def explain_minute(
    marked: pl.DataFrame,
    evidence: pl.DataFrame,
    annotations: pl.DataFrame,
    minute: datetime,
    definitions: Definitions,
) -> Explained:
    """
    Explain one minute of one use.

    The clauses are the expressions that the flags themselves are made of, evaluated again on the same grid;
    what they say together is compared with the flags before anything is shown.

    Parameters
    ----------
    marked
        The marked grid of one use, from `marked_course`.
    evidence
        EVIDENCE rows of that use.
    annotations
        As for `course_of`.
    minute
        Start of a minute of that grid, UTC.

    Raises
    ------
    LedgerError
        When the clauses and the flag contradict one another, or a flag has none; either is a defect.
    """
    row = marked["minute"].search_sorted(minute)
    assert marked["minute"][row] == minute, "the minute is one of the grid"
    noted = annotated_rows(marked, annotations, definitions.occlusion)
    found = {
        flag.kind: flag
        for flag in (
            *explain_tidaling(marked, row, definitions),
            *explain_readings(marked, row, definitions),
            *explain_stretches(marked, row, noted, definitions),
        )
    }
    findings = findings_of(definitions)
    if untold := [kind for kind in findings if kind not in found]:
        raise LedgerError(
            f"explain: nothing says why {untold[0]} holds or not; answer for it in pipeline/explain, in "
            "readings.py or stretches.py."
        )
    explained = Explained(
        minute,
        _readings(marked, row),
        _trace(evidence, minute),
        tuple(found[kind] for kind in PeriodKind if kind in findings),
        tuple(_annotations(noted, row)),
    )
    in_force = flags_of(marked, findings)[row].to_list()
    if in_force != explained.in_force:
        raise LedgerError(
            f"explain: at {minute:%Y-%m-%dT%H:%MZ} the flags are {', '.join(in_force) or 'none'}, but their "
            f"clauses say {', '.join(explained.in_force) or 'none'}; please report this."
        )
    return explained


def _readings(marked: pl.DataFrame, row: int) -> dict[str, Value]:
    names = [
        *(column.name for column in READINGS if column.name != "alerts"),
        "observed",
        "clock_step",
        "tidaling",
        "tidaling_basis",
        "canister_no",
        "output_ml",
        "volume_read",
        "assessable",
        "leak_median_ml_min",
        "leak_on",
    ]
    found: dict[str, Value] = marked.select(names).row(row, named=True)
    alerts = marked["alerts"][row]
    return found | {"alerts": None if alerts is None else ", ".join(alerts) or "none"}


def _trace(evidence: pl.DataFrame, minute: datetime) -> Trace | None:
    before = evidence.filter(pl.col("minute") <= minute).sort(EVIDENCE.key).tail(1)
    if before.is_empty():
        return None
    taken = before["minute"][0]
    shows = before.select(column.name for column in EVIDENCE_COLUMNS).row(0, named=True)
    return Trace(taken, int((minute - taken).total_seconds() // 60), shows)


def _annotations(noted: pl.DataFrame, row: int) -> list[dict[str, str]]:
    here = noted.filter(pl.col("from_row") <= row, pl.col("to_row") >= row)
    return here.select("kind", "detail").unique(maintain_order=True).to_dicts()
