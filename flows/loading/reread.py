"""Files read again: those that wait for a profile, and those whose profile was mended since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import polars as pl

from flows.loading.intake import known_reading
from flows.loading.meaning import find_file
from flows.loading.outcome import Outcome
from flows.loading.reading import to_be_read_again, to_try_anew
from flows.loading.request import Request
from flows.loading.writing import read_again, withdrawn_files
from pipeline.cohort.reconciling import waiting
from pipeline.store import Home
from schemas.errors import CallError
from schemas.lake import FILE_NAME, LOAD_FILE, REJECTED_ROW
from schemas.vocabulary import FileStatus

_ASKED = ("file_sha256", "status", "profile", "read_with", "rows_kept")


def read_due(home: Home, request: Request, now: datetime) -> list[Outcome]:
    """
    Read again what is due: files that wait for a profile where the shelf has changed since they were tried,
    files whose profile says something else now, and all of them where what reads has changed.

    Each reading replaces the one before; a file read again with nothing moved would give the same rows, so
    nothing is. Withdrawn files wait until they are taken back.
    """
    plain = request.plain
    due = []
    reasons: dict[str, str] = {}
    for file in _files(home):
        why = to_be_read_again(file, plain)
        if why is not None:
            reasons[file["file_sha256"]] = why
            due.append(to_try_anew(known_reading(home, file["file_sha256"]), why))
    done = read_again(home, due, plain, now)
    return [replace(one, again_for=reasons.get(one.given or one.digest)) for one in done]


def read_named(home: Home, which: Sequence[str], request: Request, now: datetime) -> list[Outcome]:
    """
    Read files again with the profile and site of the request: those named, else those of that profile.

    Without names, the profile's own files are meant, and those that wait for one. A profile given as a file
    of its own is recorded with each; none of them is read otherwise later unless somebody says so.

    Raises
    ------
    CallError
        When a name means no file or several, or a file that is withdrawn.
    """
    files = {file["file_sha256"]: file for file in _files(home)}
    chosen = []
    for digest in [find_file(home, name) for name in which]:
        if files[digest]["status"] == FileStatus.WITHDRAWN.value:
            raise CallError(
                f"reread: file {digest[:12]}… is withdrawn; take it back first: "
                f"`drainledger withdraw {digest[:12]} --undo`."
            )
        reading = known_reading(home, digest)
        site = request.site or reading.site
        chosen.append(
            replace(reading, profile_sha256=None, profile=request.profile, pinned=request.pinned, site=site)
        )
    if which:
        return _asked(read_again(home, chosen, request, now))
    for digest, file in files.items():
        waits = file["status"] == FileStatus.REJECTED.value and file["rows_kept"] == 0
        reading = known_reading(home, digest)
        if reading.kind != "log" or file["status"] == FileStatus.WITHDRAWN.value:
            continue
        if file["profile"] == request.profile:
            if request.pinned:
                reading = replace(reading, profile=request.profile, pinned=True)
            chosen.append(replace(reading, profile_sha256=None))
        elif waits and file["profile"] is None:
            chosen.append(replace(reading, profile_sha256=None))
    return _asked(read_again(home, chosen, request, now))


def _asked(done: Sequence[Outcome]) -> list[Outcome]:
    return [replace(one, again_for="asked") for one in done]


def waiting_files(home: Home) -> list[dict[str, str]]:
    """Files that wait: `file_sha256`, `name`, `waits_for`, and `reason`, which says what to do; by name."""
    held = home.lake.scan(REJECTED_ROW).collect().join(withdrawn_files(home), on="file_sha256", how="anti")
    reasons = home.lake.scan(LOAD_FILE).select("file_sha256", "reason").collect()
    names = home.private_lake.scan(FILE_NAME).group_by("file_sha256").agg(pl.col("name").min()).collect()
    return (
        waiting(held)
        .join(names, on="file_sha256", how="left")
        .join(reasons, on="file_sha256", how="left")
        .sort("name", "file_sha256")
        .to_dicts()
    )


def _files(home: Home) -> list[dict[str, Any]]:
    files = home.lake.scan(LOAD_FILE).select(_ASKED).collect().sort("file_sha256")
    return list(files.iter_rows(named=True))
