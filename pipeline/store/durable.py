"""Files that are there whole or not at all, and still there after a power cut."""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from pipeline.store import moments
from pipeline.store.moments import Moment

PASSING = ".part"
# Waits for the disk at once: a file system answers many flushes with little more than one answer's work.
_AT_ONCE = 8

T = TypeVar("T")


def write_whole(path: Path, data: bytes, mode: int = 0o600) -> None:
    """
    Write a file beside its place, flush it, give it its name, flush the folder.

    Whoever looks sees the file as it was before or as it is after. A rename is in the folder, not in the
    file: until the folder is flushed a power cut may take the name back, and a journal that was thought
    cleared, or a raw file that was thought kept, would be as before. What a killed process leaves under its
    passing name is swept by the next load.

    Raises
    ------
    OSError
        When the disk is full or the folder cannot be written; nothing is left under the passing name.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}{PASSING}")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(handle)
        if mode != 0o600:
            part.chmod(mode)
        moments.passed(Moment.WRITTEN_BESIDE)
        part.rename(path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    flush_folder(path.parent)
    moments.passed(Moment.IN_PLACE)


def write_all_whole(files: Mapping[Path, bytes], mode: int = 0o600) -> None:
    """
    Write many files, and their folders, each as `write_whole` would; the waits for the disk are shared.

    No file has its name before all are flushed, and nothing is returned before all folders are. Killed in
    between, some have their names and are whole, and the others are not there.

    Raises
    ------
    OSError
        As `write_whole`; nothing is left under a passing name.
    """
    make_folders({path.parent for path in files})
    parts = {path: path.with_name(f"{path.name}.{os.getpid()}{PASSING}") for path in files}

    def write(path: Path) -> None:
        handle = os.open(parts[path], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(files[path])
            file.flush()
            os.fsync(handle)
        if mode != 0o600:
            parts[path].chmod(mode)

    try:
        _side_by_side(write, files)
        for path, part in parts.items():
            moments.passed(Moment.WRITTEN_BESIDE)
            part.rename(path)
    except OSError:
        for part in parts.values():
            part.unlink(missing_ok=True)
        raise
    _side_by_side(flush_folder, {path.parent for path in files})
    for _ in files:
        moments.passed(Moment.IN_PLACE)


def write_new(path: Path, data: bytes, mode: int = 0o600) -> bool:
    """
    Write a file whole unless one of that name is there; of two who try at once one wins.

    Returns
    -------
    Whether it was this call that wrote it.

    Raises
    ------
    OSError
        When the disk is full or the folder cannot be written; nothing is left under the passing name.
    """
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.{os.getpid()}{PASSING}")
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(handle)
        moments.passed(Moment.WRITTEN_BESIDE)
        path.hardlink_to(part)  # unlike a rename, refuses where the name is taken
    except FileExistsError:
        return False
    finally:
        part.unlink(missing_ok=True)
    flush_folder(path.parent)
    moments.passed(Moment.IN_PLACE)
    return True


def flush_folder(folder: Path) -> None:
    """Have the folder's names on the disk before the next step relies on them."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, their owner's alone, and have their names on the disk."""
    make_folders([folder])


def make_folders(folders: Iterable[Path]) -> None:
    """As `make_folder`, of many; a folder in which several are made is flushed once."""
    changed: dict[Path, None] = {}  # in the order in which they were
    for folder in folders:
        missing = [folder, *folder.parents]
        missing = missing[: next(at for at, place in enumerate(missing) if place.is_dir())]
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for place in reversed(missing):
            place.chmod(0o700)  # `parents` heeds only the umask
            changed[place.parent] = None
    for folder in changed:
        flush_folder(folder)


def _side_by_side(do: Callable[[T], None], things: Iterable[T]) -> None:
    """Do the same to many things, several at once; the first error is raised when all are done with."""
    several = list(things)
    if len(several) < 2:
        for thing in several:
            do(thing)
        return
    with ThreadPoolExecutor(min(_AT_ONCE, len(several))) as pool:
        list(pool.map(do, several))


def alive(process: int) -> bool:
    """Whether another process of that number lives on this machine."""
    if process == os.getpid():
        return False
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True
