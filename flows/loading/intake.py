"""First stage of a load: files into the vault and, read row by row, into the lake as loaded."""

from __future__ import annotations

import errno
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from flows.loading.door import erased_of, nameless
from flows.loading.forced import recognised_as
from flows.loading.outcome import HELD_BACK, Outcome
from flows.loading.reading import is_private, kind_of, read_file
from flows.loading.request import Request
from flows.loading.survey import name_of
from flows.loading.vaults import keep, keep_all, vault_of
from flows.loading.writing import known_files, note_names, read_again, write_files
from pipeline.store import Home, moments
from pipeline.store.journal import Reading, read_journal, reading_of, write_readings
from pipeline.store.moments import Moment
from pipeline.store.seen import note_unread
from pipeline.store.vault import digest_of
from schemas.errors import LedgerError
from schemas.vocabulary import FileStatus


def take_in(home: Home, files: Sequence[Path], request: Request, now: datetime) -> list[Outcome]:
    """
    Take a batch of files into the ledger: raw bytes first, rows next, their `load_file` rows last.

    Bytes that are known already are passed over, but a file that was rejected is read again: its
    profile may have been written since. Bytes given under several names are read under the first that
    can be read, for a profile may find the device in it. A withdrawn file stays withdrawn unless the
    request takes it back.
    A file that cannot be read from disk is reported, and stays on record until it is given again and read.
    """
    known = known_files(home)
    outcomes: list[Outcome] = []
    fresh: dict[str, Reading] = {}
    given: dict[str, bytes] = {}  # of the fresh ones that are not in a vault yet
    private: set[str] = set()
    copies: list[tuple[Path, str]] = []  # of bytes known before or given twice
    places: dict[str, Path] = {}  # of the fresh ones
    others: dict[str, str] = {}  # profiles that recognise what another was named for
    unread: dict[Path, str] = {}
    for path in files:
        most = request.definitions.plausible.file_most
        try:
            if path.stat().st_size > most:
                unread[path] = errno.errorcode[errno.EFBIG]
                reason = f"is larger than {most // 2**20} MiB and was not read; split it and load again"
                outcomes.append(_not_read(path, reason))
                continue
            data = path.read_bytes()
        except OSError as error:
            unread[path] = errno.errorcode.get(error.errno or 0, type(error).__name__)
            reason = f"cannot be read from disk ({error.strerror}); check it and load again"
            outcomes.append(_not_read(path, reason))
            continue
        digest = digest_of(data)
        before = known.get(digest)
        if digest in fresh and _reads_better(home, fresh[digest], name_of(path), data, request):
            copies.append((places[digest], digest))
            fresh[digest], places[digest] = replace(fresh[digest], name=name_of(path)), path
            continue
        if digest in fresh or (before is not None and not _is_open(before, request)):
            lost = before is not None and not vault_of(home, digest).has(digest)
            if lost:  # from the vault, and here it is again
                keep(home, data, digest, private=is_private(data, kind_of(data), request))
            copies.append((path, digest))
            continue
        if before is not None and before["status"] == FileStatus.WITHDRAWN:
            fresh[digest] = replace(known_reading(home, digest), withdrawn_on=None, why=None)
            places[digest] = path
            continue
        kind = kind_of(data)
        reading = Reading(digest, kind, name_of(path), request.profile, None, request.site, request.pinned)
        apart = is_private(data, kind, request)
        if (other := recognised_as(data, kind, request)) is not None:
            others[digest] = other
        if before is not None:
            keep(home, data, digest, private=apart)
            if _unchanged(before, read_file(home, reading, data, request).file):
                reason = before["reason"]
                outcomes.append(
                    Outcome(
                        name_of(path),
                        digest,
                        before["status"],
                        reason=reason,
                        known=True,
                        folder=str(path.parent),
                        forced=request.profile,
                        recognised_as=others.get(digest),
                    )
                )
                continue
        fresh[digest], given[digest], places[digest] = reading, data, path
        if apart:
            private.add(digest)
    new = keep_all(home, given, private)
    # So that a rebuild knows the files even if this load is killed.
    write_readings(home.readings, [fresh[digest] for digest in given])
    if given:
        moments.passed(Moment.RAW_KEPT)
    at_hand = {digest: given[digest] for digest in new}
    del given
    written = write_files(home, list(fresh.values()), known, request, now, at_hand=at_hand)
    written = [
        replace(o, folder=str(places[d].parent), forced=request.profile, recognised_as=others.get(d))
        for o in written
        for d in (o.given or o.digest,)
    ]
    became = {digest: row["status"] for digest, row in known.items()}
    became |= {o.given or o.digest: o.status for o in written}
    reasons = {o.given or o.digest: o.reason for o in written}
    outcomes += [
        Outcome(
            name_of(path),
            digest,
            became[digest],
            known=True,
            reason=_still(known.get(digest), became[digest]) or reasons.get(digest),
            folder=str(path.parent),
        )
        for path, digest in copies
    ]
    note_names(home, _rightful(home, copies, written))
    note_unread(home.private, unread, files, now)
    return outcomes + written


def _not_read(path: Path, reason: str) -> Outcome:
    return Outcome(name_of(path), "", FileStatus.REJECTED, reason=reason, folder=str(path.parent))


def _rightful(
    home: Home, copies: Sequence[tuple[Path, str]], written: Sequence[Outcome]
) -> list[tuple[str, str]]:
    """Names of bytes given again, under the digest that was kept of them and without erased keys."""
    kept_as = {o.given: o.digest for o in written if o.given is not None}
    held = {o.given for o in written if o.status == HELD_BACK}
    erased = erased_of(home) if copies else None
    return [
        (nameless(name_of(path), erased) if erased else name_of(path), kept_as.get(digest, digest))
        for path, digest in copies
        if digest not in held
    ]


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


def _reads_better(home: Home, first: Reading, name: str, data: bytes, request: Request) -> bool:
    """Whether bytes that cannot be read under the name they came under first can be under another."""
    if name == first.name or first.kind != "log":
        return False
    if read_file(home, first, data, request).file["status"] != FileStatus.REJECTED:
        return False
    return bool(
        read_file(home, replace(first, name=name), data, request).file["status"] != FileStatus.REJECTED
    )


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
        vault_of(home, reading.digest).read(reading.digest)


def _unchanged(before: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    return all(before[part] == now[part] for part in ("status", "reason", "profile_sha256"))
