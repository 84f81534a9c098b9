"""The door of the ledger: what was erased does not come in again, whatever file brings it."""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass, replace

from flows.loading.reading import Read
from flows.loading.request import Request
from pipeline.cohort.erased import Erased
from pipeline.cohort.paper import RegistryKind, Unreadable
from pipeline.cohort.registry import layout_columns, needed_columns
from pipeline.cohort.struck import strike
from pipeline.ingest import parse_profile
from pipeline.ingest.blanking import blank_rows
from pipeline.store import Home
from pipeline.store.erasures import read_erasures
from pipeline.store.journal import Reading
from pipeline.store.vault import digest_of

_KINDS = {"registry": RegistryKind.DRAINS, "annotations": RegistryKind.ANNOTATIONS}
_ENCODINGS = ("utf-8", "utf-16-le", "utf-16-be")  # in which a file nobody can read may name somebody
_UNPACKED_MOST = 64 * 2**20


@dataclass(frozen=True)
class Passed:
    """
    What of a file may come in: how to read it, and its bytes, null where nothing of it may.

    `rows`: how many of its rows were held back.
    """

    reading: Reading
    data: bytes | None
    rows: int


def erased_of(home: Home) -> Erased:
    """The marks of everything that was ever erased from this ledger."""
    erasures = read_erasures(home.private)
    marks = frozenset(mark for erasure in erasures for mark in erasure.marks)
    return Erased(home.secret() if marks else b"", marks)


def pass_door(read: Read, data: bytes, request: Request, erased: Erased, today: str) -> Passed | None:
    """
    Hold back what a file has of erased data; null where it has none and may come in as it is.

    Rows of erased minutes become empty lines, rows of erased patients leave the registry, a name that holds
    an erased key loses it. A file that cannot be read is held back whole where it names one.
    """
    if not erased.marks:
        return None
    reading = read.reading
    name = nameless(reading.name, erased)
    left, rows = _left(read, data, request, erased)
    if left is None:
        return Passed(replace(reading, gone=True), None, rows)
    if left == data and name == reading.name:
        return None
    if left == data:
        return Passed(replace(reading, name=name, earlier=()), data, 0)
    total = reading.rows_erased + rows
    now = replace(
        reading,
        digest=digest_of(left),
        name=name,
        replaces=reading.digest,
        rows_erased=total,
        erased_on=today if rows else reading.erased_on,
        earlier=(),
    )
    return Passed(now, left, rows)


def _left(read: Read, data: bytes, request: Request, erased: Erased) -> tuple[bytes | None, int]:
    reading = read.reading
    if erased.file(reading.digest) in erased.marks:
        return None, read.file["rows_kept"]
    if reading.kind in _KINDS:
        kind = _KINDS[reading.kind]
        try:
            struck = strike(
                data,
                kind,
                layout_columns(kind),
                needed_columns(kind),
                erased,
                request.definitions.plausible.paper_most,
            )
        except Unreadable:
            return _unless_named(data, erased)
        return struck.data, struck.rows
    log = read.log
    if log is None or log.profile_text is None or log.minutes.height == 0:
        return _unless_named(data, erased)
    profile = parse_profile(log.profile_text)
    blanked = blank_rows(
        data,
        reading.name,
        profile,
        reading.site,
        log,
        erased.minutes(log.minutes),
        erased.words_in,
        request.definitions,
    )
    return blanked.data, blanked.rows


def _unless_named(data: bytes, erased: Erased) -> tuple[bytes | None, int]:
    """A file nobody can read rows from: all of it, or nothing where a word of it is an erased key."""
    unpacked = data
    if data.startswith(b"\x1f\x8b"):
        try:
            unpacked = zlib.decompressobj(wbits=31).decompress(data, _UNPACKED_MOST)
        except zlib.error:
            return data, 0
    texts = (unpacked.decode(encoding, errors="replace") for encoding in _ENCODINGS)
    return (None, 0) if any(erased.words_in(text) for text in texts) else (data, 0)


def nameless(name: str, erased: Erased) -> str:
    """A file's name without the erased keys in it."""
    for word in sorted(erased.words_in(name), key=len, reverse=True):
        name = re.sub(
            rf"(?<![\w]){re.escape(word)}(?![^\W_])|(?<=_){re.escape(word)}(?![^\W_])", "erased", name
        )
    return name
