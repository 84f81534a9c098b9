"""After a load: files the ledger holds leave the landing folder, where somebody said that they should."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.durable import flush_folder
from pipeline.store.seen import Sight, digest_at

_NAMES = 1000  # tried before a folder counts as full of files of one name


@dataclass(frozen=True)
class Cleared:
    """What left the landing folder, and what could not, with one word why."""

    gone: tuple[Path, ...] = ()
    stayed: tuple[tuple[Path, str], ...] = ()


def clear(landing: Path, held: Iterable[Sight], done: Path | None) -> Cleared:
    """
    Move files out of the landing folder, or delete them where `done` is null.

    Call it once the load that holds them is over. Each is read once more before it goes and stays if its
    bytes are not those the ledger holds. A move keeps the path below the folder, never overwrites (another
    file of that name gets a number), and is whole or not at all, also to another drive.
    """
    gone: list[Path] = []
    stayed: list[tuple[Path, str]] = []
    for sight in held:
        path = sight.path
        try:
            if not sight.same_file(os.lstat(path)) or digest_at(path) != sight.digest:
                stayed.append((path, "still_changing"))
            elif done is None:
                path.unlink()
                gone.append(path)
            else:
                _move(path, done / path.relative_to(landing), sight.digest)
                gone.append(path)
        except OSError as error:
            stayed.append((path, errno.errorcode.get(error.errno or 0, type(error).__name__)))
    return Cleared(tuple(gone), tuple(stayed))


def _move(source: Path, wanted: Path, digest: str | None) -> None:
    wanted.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    place = _claim(wanted, digest)
    if place is None:  # moved by a run that was killed before it could take the first one away
        source.unlink()
        return
    try:
        source.replace(place)
    except OSError as error:
        if error.errno != errno.EXDEV:
            place.unlink(missing_ok=True)  # only our own, still empty
            raise
        _carry(source, place, digest)
        source.unlink()
    flush_folder(place.parent)


def _claim(wanted: Path, digest: str | None) -> Path | None:
    """A name that is ours alone, held by an empty file; null where the very bytes lie there already."""
    for number in range(_NAMES):
        place = wanted if number == 0 else wanted.with_name(f"{wanted.stem}.{number}{wanted.suffix}")
        try:
            os.close(os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
        except FileExistsError:
            if place.is_file() and not place.is_symlink() and digest_at(place) == digest:
                return None
            continue
        return place
    raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))


def _carry(source: Path, place: Path, digest: str | None) -> None:
    """Copy to another drive beside the claimed name, check the bytes there, then take the name."""
    beside = place.with_name(f".{os.getpid()}.{(digest or '')[:16]}.part")
    try:
        shutil.copy2(source, beside, follow_symlinks=False)
        handle = os.open(beside, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        if digest_at(beside) != digest:
            raise OSError(errno.EIO, "the copy differs from what was copied")
        beside.replace(place)
    except OSError:
        beside.unlink(missing_ok=True)
        place.unlink(missing_ok=True)
        raise
