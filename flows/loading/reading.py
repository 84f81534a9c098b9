"""One raw file, read: its rows, its records, its row of `load_file`; and whether it is to be read again."""

from __future__ import annotations

import os
import zlib
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from flows.loading.doubts import doubts_of
from flows.loading.request import Request
from flows.loading.vaults import vault_of
from pipeline.cohort import read_annotations, read_registry
from pipeline.ingest import Profile, ReadLog, parse_profile, read_log
from pipeline.ingest.recognise import recognise
from pipeline.ingest.rules import FileRejected
from pipeline.store import Home
from pipeline.store.journal import Reading
from schemas.lake import MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.vocabulary import FileStatus

_SNIFF_BYTES = 64
_AT_ONCE = 4  # files read side by side; each takes a multiple of its bytes until it is read
_HEAD_BYTES = 16_384  # where profiles look for what they match


@dataclass(frozen=True)
class Read:
    """What a file gave: its row of `load_file` (but `loaded_at`), rows by table, profile's text, doubts."""

    reading: Reading
    file: dict[str, Any]
    frames: dict[str, pl.DataFrame]
    profile_text: str | None
    log: ReadLog | None = None
    doubts: tuple[str, ...] = ()


def kind_of(data: bytes) -> str:
    """`registry` or `annotations` by the file's first line, else `log`."""
    text = head_of(data, _SNIFF_BYTES).decode("utf-8-sig", "replace").lstrip("# ").lower()
    if text.startswith("drain-registry:"):
        return "registry"
    return "annotations" if text.startswith("drain-annotations:") else "log"


def is_private(data: bytes, kind: str, request: Request) -> bool:
    """
    Whether a file's bytes belong to the private store: registries, annotations and what nobody recognises.

    A file that no profile fits may be anything, a registry saved in another encoding among them.
    """
    if kind != "log":
        return True
    try:
        recognise(head_of(data, _HEAD_BYTES), request.profiles, request.profile)
    except FileRejected:
        return True
    return False


def read_file(home: Home, reading: Reading, data: bytes, request: Request) -> Read:
    """
    Read one file's bytes as its reading says: with the profile recorded, or else with one of the request's.

    A withdrawn file is read like any other, so that its record stays whole; its status says that nothing
    derived may rest on it.
    """
    if reading.kind == "log":
        profiles: Sequence[Profile] = request.profiles
        profile = reading.profile
        if reading.profile_sha256 is not None:
            recorded = _recorded_profile(home, reading.profile_sha256)
            if recorded is not None:
                profiles, profile = (recorded,), recorded.name
        log = read_log(
            data,
            reading.name,
            profiles,
            request.definitions,
            profile=profile,
            site=reading.site,
            digest=reading.digest,
        )
        frames = {
            MINUTE.name: log.minutes,
            TRACE.name: log.traces,
            REJECTED_ROW.name: log.rejected,
            REJECTED_VALUE.name: log.rejected_values,
        }
        return Read(reading, _told(reading, log.file, request), frames, log.profile_text, log)
    table = REGISTRY_DRAIN if reading.kind == "registry" else ANNOTATION
    found = read_registry(data) if reading.kind == "registry" else read_annotations(data)
    frames = {
        table.name: found.rows,
        REJECTED_ROW.name: found.rejected,
        REJECTED_VALUE.name: found.rejected_values,
    }
    return Read(reading, _told(reading, found.file, request), frames, None)


def read_files(
    home: Home, readings: Sequence[Reading], request: Request, at_hand: Mapping[str, bytes]
) -> list[Read]:
    """
    Read several files, a few at once, in their order, and say what is doubtful in each.

    Parameters
    ----------
    at_hand
        Bytes by digest; those of other files are read from the vault.
    """

    def read(reading: Reading) -> Read:
        data = at_hand.get(reading.digest)
        if data is None:
            data = vault_of(home, reading.digest).read(reading.digest)
        return _doubted(read_file(home, reading, data, request), data, request)

    workers = min(len(readings), os.cpu_count() or 1, _AT_ONCE)
    if workers < 2:
        return [read(reading) for reading in readings]
    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(read, readings))


def _doubted(read: Read, data: bytes, request: Request) -> Read:
    """What was read with what `check` would doubt in it; nothing where its profile has changed since."""
    digest = read.file["profile_sha256"]
    profile = next((p for p in request.profiles if p.digest == digest), None)
    if read.log is None or profile is None:
        return read
    return replace(read, doubts=doubts_of(read.log, profile, head_of(data)))


def to_be_read_again(file: Mapping[str, Any], request: Request) -> str | None:
    """
    Why a file should be read again: `profile`, `shelf` or `code`; null where nothing has moved.

    `profile`: the profile of that name says something else now. `shelf`: the file waits for a profile and
    the shelf has changed since it was tried. `code`: what turns bytes into rows has changed, or a figure it
    reads by. A withdrawn file is left alone, and so is one whose profile was named as a file of its own.

    Parameters
    ----------
    file
        `status`, `profile` and `read_with` of `load_file`.
    """
    if file["status"] == FileStatus.WITHDRAWN.value:
        return None
    base, how, digest = (file["read_with"] or "::").split(":")
    if how == "shelf" and digest != request.shelf_digest:
        return "shelf"
    if how == "profile":
        now = request.shelved_digests.get(file["profile"])
        if now is not None and now != digest:
            return "profile"
    return "code" if base != request.reads_by else None


def to_try_anew(reading: Reading, why: str) -> Reading:
    """The reading that forgets its recorded profile where that is what moved."""
    return replace(reading, profile_sha256=None) if why in ("profile", "shelf") else reading


def _told(reading: Reading, file: dict[str, Any], request: Request) -> dict[str, Any]:
    """A file's row with what it rests on, and with what was done to it on purpose."""
    file = file | {"read_with": _rests_on(reading, file, request)}
    if reading.rows_erased:
        said = f"{reading.rows_erased} of its rows were erased, the last on {reading.erased_on}."
        file["reason"] = f"{file['reason']} {said}" if file["reason"] else said
    if reading.withdrawn_on is not None:
        file |= {"status": FileStatus.WITHDRAWN.value, "reason": f"Withdrawn on {reading.withdrawn_on}."}
    return file


def _rests_on(reading: Reading, file: Mapping[str, Any], request: Request) -> str:
    base, profile = request.reads_by, file["profile_sha256"]
    if reading.kind != "log":
        return f"{base}:paper:"
    if reading.profile is None and (profile is None or file["status"] == FileStatus.REJECTED.value):
        return f"{base}:shelf:{request.shelf_digest}"
    return f"{base}:{'pinned' if reading.pinned else 'profile'}:{profile}"


def _recorded_profile(home: Home, digest: str) -> Profile | None:
    """The profile a file was read with, from the vault; null where it was never kept there."""
    if not home.raw.has(digest):
        return None
    return parse_profile(home.raw.read(digest).decode())


def head_of(data: bytes, size: int = _HEAD_BYTES) -> bytes:
    """The first bytes of a log, out of its gzip."""
    if not data.startswith(b"\x1f\x8b"):
        return data[:size]
    try:
        return zlib.decompressobj(wbits=31).decompress(data[: 2 * size + 4096], size)
    except zlib.error:
        return b""
