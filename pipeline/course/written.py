"""A course written up: the marked grid in the shape of the contract's tables."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.course.against_log import SHUT, against_log
from pipeline.course.annotated import noted_in
from pipeline.course.findings import findings_of
from pipeline.course.periods import find_periods, flags_of, words_in_force
from pipeline.definitions import Definitions
from schemas.lake import COURSE, USE_ALERT, USE_CANISTER
from schemas.vocabulary import AnnotationKind


@dataclass(frozen=True)
class Course:
    """
    What happened over some device uses.

    Parameters
    ----------
    minutes
        COURSE: every minute of every use with readings, fluid, tidaling, leak and flags.
    periods
        USE_PERIOD: the flagged stretches with grade and detail.
    alerts
        USE_ALERT.
    canisters
        USE_CANISTER.
    """

    minutes: pl.DataFrame
    periods: pl.DataFrame
    alerts: pl.DataFrame
    canisters: pl.DataFrame


def written_up(
    marked: pl.DataFrame, alerts: pl.DataFrame, canisters: pl.DataFrame, definitions: Definitions
) -> Course:
    """Put a grid with all its marks, its alerts and canisters into the tables, in key order."""
    findings = findings_of(definitions)
    minutes = marked.with_columns(
        flags=flags_of(marked, findings),
        annotations=words_in_force(marked, {kind: pl.col(noted_in(kind)) for kind in AnnotationKind}),
        against_log=words_in_force(marked, {kind: pl.col(against_log(kind)) for kind in SHUT}),
    )
    return Course(
        minutes=COURSE.conform(minutes),
        periods=find_periods(marked, findings),
        alerts=USE_ALERT.conform(alerts.sort(USE_ALERT.key)),
        canisters=USE_CANISTER.conform(canisters.sort(USE_CANISTER.key)),
    )
