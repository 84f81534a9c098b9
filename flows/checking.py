"""What a load would do with files, without writing anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from flows.intake import Outcome, find_files, kind_of
from flows.request import Request
from pipeline.cohort import read_annotations, read_registry
from pipeline.ingest import read_log
from schemas.vocabulary import FileStatus


@dataclass(frozen=True)
class CheckReport:
    """One file as a load would take it: its fate, and every row and cell that would not pass."""

    path: Path
    kind: str
    profile: str | None
    outcome: Outcome
    rejected: pl.DataFrame


def check_files(paths: Sequence[Path], request: Request) -> list[CheckReport]:
    """
    Read the files as a load would and report on each, in order.

    Raises
    ------
    CallError
        When a path is not there.
    """
    return [_check(path, request) for path in find_files(paths)]


def _check(path: Path, request: Request) -> CheckReport:
    try:
        data = path.read_bytes()
    except OSError as error:
        reason = f"cannot be read from disk ({error.strerror}); check it and load again"
        outcome = Outcome(path.name, "", FileStatus.REJECTED, reason=reason)
        return CheckReport(path, "log", None, outcome, pl.DataFrame())
    kind = kind_of(data)
    if kind == "log":
        log = read_log(
            data,
            path.name,
            request.profiles,
            request.definitions,
            profile=request.profile,
            site=request.site,
        )
        file, rejected, values = log.file, log.rejected, log.rejected_values
    else:
        found = read_registry(data) if kind == "registry" else read_annotations(data)
        file, rejected, values = found.file, found.rejected, found.rejected_values
    shown = rejected.join(
        values.unique(["line", "column"]).select("line", "column", "value"),
        on=["line", "column"],
        how="left",
        nulls_equal=True,
    ).sort("line", "column", "rule")
    return CheckReport(path, kind, file["profile"], Outcome.of(path.name, file), shown)
