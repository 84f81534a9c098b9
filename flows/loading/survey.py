"""Which files lie behind the paths given, what is passed over, and how much is taken at once."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from flows.loading.litter import is_litter, is_litter_folder
from flows.show.plain import plain
from schemas.errors import CallError

T = TypeVar("T")


_KEPT = ("private", "raw", "lake")  # folders of a home that only the ledger writes


@dataclass(frozen=True)
class Found:
    """Files behind the paths given, and what was passed over on the way."""

    files: tuple[Path, ...]
    hidden: int = 0
    not_files: int = 0  # links to folders, links to nothing, pipes
    closed: tuple[Path, ...] = ()  # folders that may not be read
    litter: int = 0  # of file managers, editors and drives

    def remarks(self) -> list[str]:
        """A sentence for each kind of thing passed over."""
        said = [
            f"{folder}: this folder may not be read; nothing in it was looked at." for folder in self.closed
        ]
        if self.hidden:
            said.append(f"{self.hidden} hidden (their names begin with a dot) passed over.")
        if self.litter:
            said.append(f"{self.litter} of file managers, editors or drives (such as Thumbs.db) passed over.")
        if self.not_files:
            said.append(
                f"{self.not_files} passed over that are no files: links to folders or to nothing, pipes."
            )
        if not self.files:
            said.append("There are no files to read at the paths given.")
        return said


def survey(paths: Sequence[Path], home: Path | None = None) -> Found:
    """
    The files behind the paths given: a folder stands for all files below it but hidden ones and litter.

    Parameters
    ----------
    home
        A ledger's own folder, never taken for a folder of logs.

    Raises
    ------
    CallError
        When a path is not there, or is the ledger's own: what it keeps is no export, its secret least of all.
    """
    own = None if home is None else home.resolve()
    kept = () if own is None else tuple(own / name for name in _KEPT)
    files: set[Path] = set()
    closed: list[Path] = []
    hidden = not_files = litter = 0
    for path in paths:
        there = path.resolve()
        if (there == own and any(map(Path.exists, kept))) or any(map(there.is_relative_to, kept)):
            raise CallError(f"{path} lies in the ledger's own home; name a folder of exports.")
        if path.is_file():
            files.add(path)
            continue
        if not path.is_dir():
            raise CallError(f"{path}: no such file or folder; check the path.")
        for place, folders, names in os.walk(path, onerror=lambda e: closed.append(Path(e.filename))):
            here = Path(place)
            ours = [name for name in folders if not is_litter_folder(name)]
            named = [name for name in names if not is_litter(name, _size(here / name))]
            litter += len(folders) - len(ours) + len(names) - len(named)
            hidden += sum(name.startswith(".") for name in (*ours, *named))
            open_folders = [name for name in ours if not name.startswith(".")]
            not_files += sum((here / name).is_symlink() for name in open_folders)
            folders[:] = [name for name in open_folders if (here / name).resolve() != own]
            shown = [here / name for name in named if not name.startswith(".")]
            files |= {file for file in shown if file.is_file()}
            not_files += sum(not file.is_file() for file in shown)
    return Found(tuple(sorted(files)), hidden, not_files, tuple(sorted(closed)), litter)


def _size(path: Path) -> int | None:
    """Bytes of a hidden file; nobody asks for those of others."""
    if not path.name.startswith("."):
        return None
    try:
        return path.lstat().st_size
    except OSError:
        return None


def find_files(paths: Sequence[Path], home: Path | None = None) -> list[Path]:
    """The files that `survey` finds."""
    return list(survey(paths, home).files)


def name_of(path: Path) -> str:
    """The last part of a path as text; bytes that are no UTF-8 and control signs are shown as escapes."""
    text = os.fsencode(path.name).decode("utf-8", "backslashreplace")
    return plain(text)


def batches(weighed: Iterable[tuple[T, int]], most: int) -> Iterator[list[T]]:
    """
    Things in order, cut into batches that weigh at most so much; what weighs more is a batch of its own.

    Examples
    --------
    >>> list(batches([("a", 3), ("b", 4), ("c", 9), ("d", 1)], 7))
    [['a', 'b'], ['c'], ['d']]
    """
    batch: list[T] = []
    weight = 0
    for thing, heavy in weighed:
        if batch and weight + heavy > most:
            yield batch
            batch, weight = [], 0
        batch.append(thing)
        weight += heavy
    if batch:
        yield batch


def file_batches(files: Sequence[Path], most_bytes: int) -> Iterator[list[Path]]:
    """Files in order, so many bytes at once; one that has vanished weighs nothing and is reported later."""
    return batches(((path, path.stat().st_size if path.exists() else 0) for path in files), most_bytes)
