"""First stage of a load: files into the vault and, read row by row, into the lake as loaded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from flows.reading import Read, is_private, kind_of, read_file
from flows.request import Request
from flows.survey import name_of
from pipeline.store import Home, moments
from pipeline.store.journal import (
    Reading,
    clear_journal,
    read_journal,
    reading_of,
    write_journal,
    write_reading,
)
from pipeline.store.moments import Moment
from pipeline.store.vault import Vault, digest_of
from schemas.errors import LedgerError
from schemas.lake import FILE_NAME, LOAD_FILE, MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.vocabulary import FileStatus

AGAIN_FILES = 200  # files read from the vault again at once

_KNOWN = ("file_sha256", "status", "reason", "profile_sha256", "loaded_at")
_TABLES = (MINUTE, TRACE, REJECTED_ROW)
_PRIVATE_TABLES = (REJECTED_VALUE, REGISTRY_DRAIN, ANNOTATION)


@dataclass(frozen=True)
class Outcome:
    """What became of one file given to a load; `name` is for the person who gave it, never published."""

    name: str
    digest: str
    status: str
    rows_read: int = 0
    rows_kept: int = 0
    rows_rejected: int = 0
    cells_rejected: int = 0
    reason: str | None = None
    known: bool = False

    @classmethod
    def of(cls, name: str, file: Mapping[str, Any]) -> Outcome:
        """The outcome that a `load_file` row tells."""
        counts = {part: file[part] for part in ("rows_read", "rows_kept", "rows_rejected", "cells_rejected")}
        return cls(name, file["file_sha256"], file["status"], reason=file["reason"], **counts)

    @property
    def clean(self) -> bool:
        """Whether nothing of the file was rejected."""
        return self.status in (FileStatus.LOADED, FileStatus.WITHDRAWN) and not self.cells_rejected


def take_in(home: Home, files: Sequence[Path], request: Request, now: datetime) -> list[Outcome]:
    """
    Take a batch of files into the ledger: raw bytes first, rows next, their `load_file` rows last.

    Bytes that are known already are passed over, but a file that was rejected is read again: its
    profile may have been written since. A withdrawn file stays withdrawn unless the request takes it back.
    A file that cannot be read from disk is reported, not recorded.
    """
    known = _known_files(home)
    outcomes: list[Outcome] = []
    fresh: dict[str, Reading] = {}
    copies: list[tuple[str, str]] = []  # of bytes known before or given twice
    for path in files:
        try:
            data = path.read_bytes()
        except OSError as error:
            reason = f"cannot be read from disk ({error.strerror}); check it and load again"
            outcomes.append(Outcome(name_of(path), "", FileStatus.REJECTED, reason=reason))
            continue
        digest = digest_of(data)
        before = known.get(digest)
        if digest in fresh or (before is not None and not _is_open(before, request)):
            copies.append((name_of(path), digest))
            continue
        if before is not None and before["status"] == FileStatus.WITHDRAWN:
            fresh[digest] = replace(known_reading(home, digest), withdrawn_on=None, why=None)
            continue
        kind = kind_of(data)
        _keep(home, data, private=is_private(data, kind, request))
        reading = Reading(digest, kind, name_of(path), request.profile, None, request.site, request.pinned)
        if before is not None and _unchanged(before, read_file(home, reading, data, request).file):
            reason = before["reason"]
            outcomes.append(Outcome(name_of(path), digest, before["status"], reason=reason, known=True))
            continue
        fresh[digest] = reading
        write_reading(home.readings, reading)  # so that a rebuild knows the file even if this load is killed
        moments.passed(Moment.RAW_KEPT)
    written = _write(home, list(fresh.values()), known, request, now)
    became = {digest: row["status"] for digest, row in known.items()} | {o.digest: o.status for o in written}
    outcomes += [
        Outcome(name, digest, became[digest], known=True, reason=_still(known.get(digest), became[digest]))
        for name, digest in copies
    ]
    _note_names(home, copies)
    return outcomes + written


def known_reading(home: Home, digest: str) -> Reading:
    """
    How a file of the ledger was read.

    Raises
    ------
    LedgerError
        When the record of it is gone.
    """
    reading = reading_of(home.readings, digest)
    if reading is None:
        raise LedgerError(
            f"file {digest[:12]}…: the record of how it was read is gone from {home.readings}; "
            "restore it from a backup."
        )
    return reading


def _is_open(before: Mapping[str, Any], request: Request) -> bool:
    """Whether a file known already is to be read once more, for it was given again."""
    taken_back = before["status"] == FileStatus.WITHDRAWN and request.take_back
    return taken_back or before["status"] == FileStatus.REJECTED


def _still(before: Mapping[str, Any] | None, status: str) -> str | None:
    if before is None or status != FileStatus.WITHDRAWN:
        return None
    return f"{before['reason']} It stays so; `load --take-back` takes it in again."


def finish_interrupted(home: Home, request: Request, now: datetime) -> list[Outcome]:
    """Finish what a killed load left half-written: its files are taken out and read again from the vault."""
    return read_again(home, read_journal(home.journal), request, now)


def ensure_raw(home: Home, readings: Sequence[Reading]) -> None:
    """
    See that the raw bytes of every file are there and unchanged, before anything is made anew from them.

    Raises
    ------
    LedgerError
        Naming the first that is not, and what to restore.
    """
    for reading in readings:
        _vault(home, reading.digest).read(reading.digest)


def read_again(
    home: Home,
    readings: Sequence[Reading],
    request: Request,
    now: datetime,
    progress: Callable[[int], None] = lambda done: None,
) -> list[Outcome]:
    """
    Read files from the vault again, each with the profile and site it was read with.

    Files still to come stay in the journal, so that whoever finds it can go on.
    """
    outcomes: list[Outcome] = []
    for start in range(0, len(readings), AGAIN_FILES):
        progress(start)
        batch, rest = readings[start : start + AGAIN_FILES], readings[start + AGAIN_FILES :]
        outcomes += _write(home, batch, _known_files(home), request, now, again=True, rest=rest)
    return outcomes


def _write(
    home: Home,
    readings: Sequence[Reading],
    known: dict[str, dict[str, Any]],
    request: Request,
    now: datetime,
    *,
    again: bool = False,
    rest: Sequence[Reading] = (),
) -> list[Outcome]:
    if not readings:
        return []
    write_journal(home.journal, [*readings, *rest])
    moments.passed(Moment.BEGUN)
    digests = [reading.digest for reading in readings]
    if again or any(digest in known for digest in digests):
        for table in _TABLES:
            home.lake.remove(table, "file_sha256", digests)
            moments.passed(Moment.TAKEN_OUT)
        for table in _PRIVATE_TABLES:
            home.private_lake.remove(table, "file_sha256", digests)
            moments.passed(Moment.TAKEN_OUT)
    reads = [_read(home, reading, request) for reading in readings]
    _move_recognised(home, reads)
    for table in _TABLES:
        home.lake.append(table, _stack(reads, table.name, table.empty()))
        moments.passed(Moment.ROWS_ADDED)
    for table in _PRIVATE_TABLES:
        home.private_lake.append(table, _stack(reads, table.name, table.empty()))
        moments.passed(Moment.ROWS_ADDED)
    _note_names(home, [(reading.name, reading.digest) for reading in readings])
    for reading, read in zip(readings, reads, strict=True):
        if read.profile_text is not None:
            home.raw.keep(read.profile_text.encode())
        write_reading(home.readings, _as_read(home, reading, read))
    rows = [
        read.file
        | {
            "loaded_at": known.get(reading.digest, {}).get("loaded_at", now) if again else now,
        }
        for reading, read in zip(readings, reads, strict=True)
    ]
    if again or known:
        home.lake.remove(LOAD_FILE, "file_sha256", digests)
        moments.passed(Moment.TAKEN_OUT)
    home.lake.append(LOAD_FILE, LOAD_FILE.validate(pl.DataFrame(rows, schema=LOAD_FILE.dtypes)))
    moments.passed(Moment.FILES_NOTED)
    if rest:
        write_journal(home.journal, rest)
    else:
        clear_journal(home.journal)
    moments.passed(Moment.ENDED)
    return [Outcome.of(reading.name, read.file) for reading, read in zip(readings, reads, strict=True)]


def _note_names(home: Home, given: Sequence[tuple[str, str]]) -> None:
    """Keep every name that bytes were given under; one that is known already adds nothing."""
    if not given and home.private_lake.has(FILE_NAME):
        return
    names = pl.DataFrame(
        [(digest, name) for name, digest in given], schema=FILE_NAME.dtypes, orient="row"
    ).unique(maintain_order=True)
    some = pl.col("file_sha256").is_in(names["file_sha256"].implode())
    known = home.private_lake.scan(FILE_NAME).filter(some).collect()
    home.private_lake.append(FILE_NAME, names.join(known, on=FILE_NAME.names, how="anti"))


def _unchanged(before: dict[str, Any], now: dict[str, Any]) -> bool:
    return all(before[part] == now[part] for part in ("status", "reason", "profile_sha256"))


def _read(home: Home, reading: Reading, request: Request) -> Read:
    return read_file(home, reading, _vault(home, reading.digest).read(reading.digest), request)


def _as_read(home: Home, reading: Reading, read: Read) -> Reading:
    """The reading as it came out, with how the file was read before."""
    now = replace(reading, profile_sha256=read.file["profile_sha256"])
    before = reading_of(home.readings, reading.digest)
    if before is None or before.profile_sha256 is None:
        return now
    earlier, how = before.earlier, before.how
    if how != now.how and (not earlier or earlier[-1] != how):
        earlier = (*earlier, how)
    return replace(now, earlier=earlier)


def _move_recognised(home: Home, reads: Sequence[Read]) -> None:
    """A log that nobody recognised lay in the private store; one that is recognised now does not."""
    for read in reads:
        digest = read.reading.digest
        if read.profile_text is not None and not home.raw.has(digest):
            _keep(home, home.private_raw.read(digest), private=False)


def _keep(home: Home, data: bytes, *, private: bool) -> None:
    """Keep a file's bytes in its vault; what was private and is recognised now moves out of there."""
    if private:
        home.private_raw.keep(data)
        return
    home.private_raw.forget(home.raw.keep(data))


def _vault(home: Home, digest: str) -> Vault:
    return home.raw if home.raw.has(digest) else home.private_raw


def _known_files(home: Home) -> dict[str, dict[str, Any]]:
    rows = home.lake.scan(LOAD_FILE).select(_KNOWN).collect()
    return {row["file_sha256"]: row for row in rows.iter_rows(named=True)}


def _stack(reads: Sequence[Read], name: str, empty: pl.DataFrame) -> pl.DataFrame:
    return pl.concat([empty, *(read.frames[name] for read in reads if name in read.frames)])
