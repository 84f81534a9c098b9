"""Where bytes lie: here a folder of this machine, in `bucket` a prefix of an object store."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from pipeline.store.durable import PASSING, make_folder, write_all_whole, write_whole
from schemas.errors import LedgerError

if TYPE_CHECKING:  # Arrow takes longer to import than a small table takes to read
    from pyarrow import fs

_READ_ONLY = 0o400


class Place(Protocol):
    """
    Somewhere to keep files under names such as `ab/ab12…` or `course/bucket=3/part.parquet`.

    Whoever reads a name sees a file whole or not at all. `address` is what people and engines call the
    place; `engine` and `scan` are the options that Delta Lake and Polars want with it (null on a disk),
    never printed, for a key of the store is among them; `filesystem` is Arrow's way in.
    """

    @property
    def address(self) -> str: ...

    @property
    def engine(self) -> dict[str, str] | None: ...

    @property
    def scan(self) -> dict[str, Any] | None: ...

    @property
    def filesystem(self) -> fs.FileSystem: ...

    def child(self, name: str) -> Place:
        """The place of that name below this one."""
        ...

    def make(self) -> None:
        """See that the place is there and its owner's alone."""
        ...

    def has(self, name: str) -> bool:
        """Whether there is a file of that name."""
        ...

    def has_table(self) -> bool:
        """Whether this place holds a Delta table: a log was begun here."""
        ...

    def log_entries(self) -> frozenset[tuple[str, int, int, int]] | None:
        """
        The files of the Delta log here: name, bytes, when written, and which file of the disk it is.

        Null where the place cannot say so more cheaply than by reading them.
        """
        ...

    def read(self, name: str) -> bytes:
        """The bytes of a file; FileNotFoundError where it is gone."""
        ...

    def write_once(self, name: str, data: bytes) -> None:
        """Write a file durably and, where the place can say so, read-only."""
        ...

    def write_all_once(self, files: Mapping[str, bytes]) -> None:
        """Write files by name, each as `write_once` would; all are durable on return."""
        ...

    def remove(self, name: str) -> None:
        """Take a file away; one that is not there is no matter."""
        ...

    def sizes(self) -> Mapping[str, int]:
        """Every file below, by name, with its bytes; files still being written left out."""
        ...

    def set_aside(self) -> str | None:
        """Move everything to a place beside, `….broken-1` (2, 3, …); says where, null: nothing was here."""
        ...

    def explained(self, error: BaseException) -> LedgerError | None:
        """What an error of an engine that worked here means, in one sentence; null: not this place's."""
        ...


@dataclass(frozen=True)
class Folder:
    """A folder of this machine, or of a drive it has mounted."""

    path: Path

    @property
    def address(self) -> str:
        """Absolute path."""
        return str(self.path.resolve())

    @property
    def engine(self) -> None:
        """A disk needs no options."""
        return None

    @property
    def scan(self) -> None:
        """A disk needs no options."""
        return None

    @property
    def filesystem(self) -> fs.FileSystem:
        """The disk as Arrow sees it."""
        from pyarrow import fs

        return fs.LocalFileSystem()

    def child(self, name: str) -> Folder:
        """The folder of that name in this one."""
        return Folder(self.path / name)

    def make(self) -> None:
        """Make the folder and those above it, their owner's alone."""
        make_folder(self.path)

    def has(self, name: str) -> bool:
        """Whether there is a file of that name."""
        return (self.path / name).is_file()

    def has_table(self) -> bool:
        """Whether there is a folder for the log."""
        return (self.path / "_delta_log").is_dir()

    def log_entries(self) -> frozenset[tuple[str, int, int, int]]:
        """The files of the log, none where there is no log."""
        with suppress(FileNotFoundError), os.scandir(self.path / "_delta_log") as entries:
            told = ((entry.name, entry.stat()) for entry in entries)
            return frozenset((name, at.st_size, at.st_mtime_ns, at.st_ino) for name, at in told)
        return frozenset()

    def read(self, name: str) -> bytes:
        """The bytes of a file."""
        return (self.path / name).read_bytes()

    def write_once(self, name: str, data: bytes) -> None:
        """Write a file beside its place, flush it, name it; its owner can read it, nobody write."""
        path = self.path / name
        make_folder(path.parent)
        write_whole(path, data, _READ_ONLY)

    def write_all_once(self, files: Mapping[str, bytes]) -> None:
        """The same for many files, which wait for the disk together."""
        write_all_whole({self.path / name: data for name, data in files.items()}, _READ_ONLY)

    def remove(self, name: str) -> None:
        """Take a file away."""
        (self.path / name).unlink(missing_ok=True)

    def sizes(self) -> Mapping[str, int]:
        """Every file below with its bytes."""
        return dict(_sizes(os.fspath(self.path), ""))

    def set_aside(self) -> str | None:
        """Rename the folder, and make it anew, empty."""
        if not self.path.exists():
            self.make()
            return None
        number = 1
        while (aside := self.path.with_name(f"{self.path.name}.broken-{number}")).exists():
            number += 1
        self.path.rename(aside)
        self.make()
        return str(aside)

    def explained(self, error: BaseException) -> None:
        """A disk's own errors speak for themselves."""
        return None


def _sizes(folder: str, below: str) -> Iterator[tuple[str, int]]:
    # Without a path made of each name: a year has thousands, and every look at a ledger adds them up.
    with suppress(FileNotFoundError, PermissionError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                yield from _sizes(entry.path, f"{below}{entry.name}/")
            elif entry.is_file() and not entry.name.endswith(PASSING):
                with suppress(FileNotFoundError):  # gone since
                    yield below + entry.name, entry.stat().st_size


def place_of(root: Path | Place) -> Place:
    """A path is a folder; a place is itself."""
    return Folder(root) if isinstance(root, Path) else root


@contextmanager
def speaking_of(place: Place) -> Iterator[None]:
    """Turn what an engine raises about a place into the place's own sentence."""
    try:
        yield
    except Exception as error:
        said = None if isinstance(error, LedgerError) else place.explained(error)
        if said is None:
            raise
        raise said from error
