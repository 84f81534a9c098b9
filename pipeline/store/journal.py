"""How each raw file was read, and which are being written just now, so that a killed load can be finished."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from pipeline.store.durable import flush_folder, make_folder, write_all_whole, write_whole
from schemas.errors import LedgerError

_SPOILT = (ValueError, TypeError, KeyError, AttributeError)


@dataclass(frozen=True)
class Reading:
    """
    How a raw file was, or is to be, read.

    Parameters
    ----------
    kind
        `log`, `registry` or `annotations`.
    name
        Last part of the path it was given under; private, for names can hold patients' names.
    profile
        Profile asked for by name; null: recognised.
    profile_sha256
        Profile it was read with; its text lies in the vault. Null: not read yet, or no profile fitted.
    site
        Site given for files that do not say.
    pinned
        Whether the profile was named as a file of its own: it is not looked for among the others later.
    withdrawn_on
        The day (UTC) the file was taken out of everything derived; null: it counts.
    why
        The reason in somebody's own words; private, for it can say whose file it is.
    erased_on, rows_erased
        When and how many rows were taken out of it for good; these bytes are what was left.
    earlier
        How it was read before, oldest first: name, profile, digest of the profile, site.
    replaces
        Digest of a file of which these bytes are what is left; it goes when these are written.
    gone
        Whether nothing of the file stays: its rows, its bytes and this record go.
    """

    digest: str
    kind: str
    name: str
    profile: str | None = None
    profile_sha256: str | None = None
    site: str | None = None
    pinned: bool = False
    withdrawn_on: str | None = None
    why: str | None = None
    erased_on: str | None = None
    rows_erased: int = 0
    earlier: tuple[tuple[str | None, ...], ...] = ()
    replaces: str | None = None
    gone: bool = False

    @property
    def how(self) -> tuple[str | None, ...]:
        """What an extract seals of it: name, profile asked for, profile it was read with, site."""
        return (self.name, self.profile, self.profile_sha256, self.site)

    @classmethod
    def of(cls, entry: Mapping[str, Any]) -> Reading:
        """The reading that JSON tells."""
        earlier = tuple(tuple(how) for how in entry.get("earlier", ()))
        return cls(**{**entry, "earlier": earlier})


def write_reading(folder: Path, reading: Reading) -> None:
    """Keep, durably, how a file was read: what `rebuild` needs besides its bytes."""
    path = _path(folder, reading.digest)
    make_folder(path.parent)
    _write(path, asdict(reading))


def write_readings(folder: Path, readings: Sequence[Reading]) -> None:
    """The same of many files, durable together."""
    write_all_whole({_path(folder, one.digest): json.dumps(asdict(one)).encode() for one in readings})


def reading_of(folder: Path, digest: str) -> Reading | None:
    """How one file was read; null where nothing is known of it."""
    path = _path(folder, digest)
    return _read(path) if path.is_file() else None


def forget_reading(folder: Path, digest: str) -> None:
    """Take away what is known of how a file was read, its name among that."""
    _path(folder, digest).unlink(missing_ok=True)


def _path(folder: Path, digest: str) -> Path:
    return folder / digest[:2] / f"{digest}.json"


def read_readings(folder: Path) -> list[Reading]:
    """
    How each file ever kept was read, in the order of their digests.

    Raises
    ------
    LedgerError
        When a record cannot be read: without it nobody knows with which profile and site to read the file.
    """
    return [_read(path) for path in sorted(folder.glob("*/*.json"), key=lambda p: p.name)]


def _read(path: Path) -> Reading:
    try:
        return Reading.of(json.loads(path.read_text(encoding="utf-8")))
    except _SPOILT as error:
        raise LedgerError(
            f"{path}: how this file was read cannot be read ({error}); restore it from a backup, or remove "
            "it and load the file again."
        ) from error


def write_journal(path: Path, readings: Sequence[Reading]) -> None:
    """Note, durably, the files that are about to be written."""
    _write(path, [asdict(reading) for reading in readings])


def read_journal(path: Path) -> list[Reading]:
    """
    Files whose writing was begun and not noted as done; empty after an undisturbed load.

    Raises
    ------
    LedgerError
        When the journal is there and cannot be read.
    """
    if not path.exists():
        return []
    try:
        return [Reading.of(entry) for entry in json.loads(path.read_text(encoding="utf-8"))]
    except _SPOILT as error:
        raise LedgerError(
            f"{path}: cannot be read ({error}); remove it and run `drainledger rebuild`."
        ) from error


def clear_journal(path: Path) -> None:
    """Note that everything in the journal is written."""
    path.unlink(missing_ok=True)
    flush_folder(path.parent)


def _write(path: Path, content: object) -> None:
    write_whole(path, json.dumps(content).encode())
