"""
What was seen at which place of a landing folder: a file that lies there unchanged need not be read again.

A private cache, for names of files can hold patients' names. The ledger's truth is its vault and its lake:
without this file a night reads everything in the folder once more, and finds that it knows it.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path

FILE_NAME = "seen.sqlite"  # below the private store

_TABLE = """
CREATE TABLE IF NOT EXISTS sight (
    place BLOB PRIMARY KEY,
    size INTEGER NOT NULL,
    written_ns INTEGER NOT NULL,
    changed_ns INTEGER NOT NULL,
    fate TEXT NOT NULL,
    why TEXT NOT NULL,
    digest TEXT,
    profiles TEXT,
    since TEXT NOT NULL
) WITHOUT ROWID
"""
_COLUMNS = "place, size, written_ns, changed_ns, fate, why, digest, profiles, since"
_BROKEN = (sqlite3.DatabaseError, ValueError)


class Fate(StrEnum):
    """What a night did with a file it saw."""

    HELD = "held"  # the ledger has its bytes and read them
    REJECTED = "rejected"  # the ledger has its bytes and could not read them; tried again with other profiles
    LEFT = "left"  # for the next run
    UNREAD = "unread"  # could not be read from disk
    PASSED_OVER = "passed_over"  # no file: a link, a pipe


@dataclass(frozen=True)
class Sight:
    """
    One place, as it was when a night looked.

    Parameters
    ----------
    path
        Absolute; private.
    written_ns, changed_ns
        When its content and when its entry were last changed, by the file system's clock.
    why
        One word for a fate that needs a reason; else empty.
    profiles
        Digest of the site profiles it was rejected with.
    since
        When it was first seen just so.
    """

    path: Path
    size: int
    written_ns: int
    changed_ns: int
    fate: Fate
    since: datetime
    why: str = ""
    digest: str | None = None
    profiles: str | None = None

    def same_file(self, other: os.stat_result) -> bool:
        """Whether what lies there now has the size and times it had."""
        return (self.size, self.written_ns, self.changed_ns) == (
            other.st_size,
            other.st_mtime_ns,
            other.st_ctime_ns,
        )


def digest_at(path: Path) -> str:
    """
    SHA-256 of the bytes that lie at a place, in hex, a piece at a time; a link is not followed.

    Raises
    ------
    OSError
        When they cannot be read.
    """
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_sights(private: Path) -> dict[Path, Sight]:
    """Everything on record, by place; nothing where the record is missing or broken."""
    try:
        with _open(private, write=False) as record:
            rows = record.execute(f"SELECT {_COLUMNS} FROM sight").fetchall()
            return {sight.path: sight for sight in map(_sight, rows)}
    except _BROKEN:
        return {}


def note_sights(private: Path, sights: Iterable[Sight], gone: Iterable[Path] = ()) -> None:
    """Put sights on record and take out places where nothing lies any more; a broken record is begun anew."""
    rows = [_row(sight) for sight in sights]
    old = [(os.fsencode(path),) for path in gone]
    try:
        _write(private, rows, old)
    except sqlite3.DatabaseError:
        (private / FILE_NAME).unlink(missing_ok=True)
        _write(private, rows, old)


def note_unread(private: Path, unread: Mapping[Path, str], tried: Iterable[Path], now: datetime) -> None:
    """
    Put files on record that could not be read from disk, and take out those that could be this time.

    Parameters
    ----------
    unread
        Place → one word why.
    tried
        All places that were tried.
    """
    if not unread and not (private / FILE_NAME).exists():
        return
    before = {path: sight for path, sight in read_sights(private).items() if sight.fate == Fate.UNREAD}
    read = [path.absolute() for path in tried if path not in unread]
    sights = [
        before.get(path.absolute(), Sight(path.absolute(), 0, 0, 0, Fate.UNREAD, now, why))
        for path, why in unread.items()
    ]
    if sights or any(path in before for path in read):
        note_sights(private, sights, [path for path in read if path in before])


def forget_sights(private: Path, digests: Iterable[str]) -> None:
    """Take out what was noted of files with these digests, their names with it."""
    if (private / FILE_NAME).exists():
        with _open(private, write=True) as record:
            record.execute("PRAGMA secure_delete = ON")
            record.executemany("DELETE FROM sight WHERE digest = ?", [(digest,) for digest in digests])


def _write(private: Path, rows: list[tuple[object, ...]], gone: list[tuple[bytes]]) -> None:
    with _open(private, write=True) as record:
        record.execute("PRAGMA secure_delete = ON")  # names of files that are gone are gone
        record.executemany("DELETE FROM sight WHERE place = ?", gone)
        marks = ", ".join("?" for _ in _COLUMNS.split(","))
        record.executemany(f"INSERT OR REPLACE INTO sight ({_COLUMNS}) VALUES ({marks})", rows)


@contextmanager
def _open(private: Path, *, write: bool) -> Iterator[sqlite3.Connection]:
    path = private / FILE_NAME
    if not write and not path.exists():
        raise ValueError("nothing was ever seen")
    if write and not path.exists():
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600))
    address = path.absolute().as_uri() + ("" if write else "?mode=ro")
    with closing(sqlite3.connect(address, uri=True, timeout=10)) as record, record:
        if write:
            record.execute(_TABLE)
        yield record


def _row(sight: Sight) -> tuple[object, ...]:
    return (
        os.fsencode(sight.path),
        sight.size,
        sight.written_ns,
        sight.changed_ns,
        sight.fate.value,
        sight.why,
        sight.digest,
        sight.profiles,
        sight.since.isoformat(),
    )


def _sight(row: tuple[bytes, int, int, int, str, str, str | None, str | None, str]) -> Sight:
    place, size, written, changed, fate, why, digest, profiles, since = row
    return Sight(
        Path(os.fsdecode(place)),
        size,
        written,
        changed,
        Fate(fate),
        datetime.fromisoformat(since),
        why,
        digest,
        profiles,
    )
