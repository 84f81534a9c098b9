"""One load at a time on a home, or any number of readers: a lock that a dead process cannot hold."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.sweeping import sweep
from schemas.errors import LedgerError


@dataclass(frozen=True)
class Lock:
    """
    The lock of the home at `root`: the kernel's, on a file in it, and dropped when its process dies.

    Who holds it alone has its number in the file and takes it out in the end. A number found there is that
    of a process that died, and what it left behind is swept.
    """

    root: Path

    @property
    def path(self) -> Path:
        """The file that is locked."""
        return self.root / ".lock"

    @contextmanager
    def alone(self) -> Iterator[None]:
        """
        Hold it for one load.

        Whatever is written meanwhile is its owner's alone, whoever called: the umask is 077 until the lock is
        let go.

        Raises
        ------
        LedgerError
            When another load, or somebody who reads, holds it.
        """
        with owners_alone():
            handle = self._open()
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                if _can_share(handle):
                    raise LedgerError(
                        f"home {self.root}: an extract, a verification or a sample is reading here; "
                        "wait for it to end, then load again."
                    ) from error
                raise LedgerError(
                    f"home {self.root}: another load is running here (process {_holder(handle)}); "
                    "wait for it to end, then load again."
                ) from error
            died = os.pread(handle, 32, 0)
            os.ftruncate(handle, 0)
            os.pwrite(handle, str(os.getpid()).encode(), 0)
            if died:
                sweep(self.root)
            try:
                with owners_alone():
                    yield
            finally:
                os.ftruncate(handle, 0)
        finally:
            os.close(handle)

    @contextmanager
    def shared(self) -> Iterator[None]:
        """
        Hold it as one reader of several.

        Raises
        ------
        LedgerError
            When a load holds it.
        """
        handle = self._open()
        try:
            if not _can_share(handle):
                raise LedgerError(
                    f"home {self.root}: a load is running here (process {_holder(handle)}); "
                    "wait for it to end, then ask again."
                )
            yield
        finally:
            os.close(handle)

    def held_alone(self) -> bool:
        """Whether a load holds it just now."""
        if not self.path.exists():
            return False
        try:
            handle = os.open(self.path, os.O_RDONLY)
        except PermissionError:
            return False  # somebody else's home: who may not look cannot tell
        try:
            return not _can_share(handle)
        finally:
            os.close(handle)

    def _open(self) -> int:
        return os.open(self.path, os.O_RDWR | os.O_CREAT, 0o600)


@contextmanager
def owners_alone() -> Iterator[None]:
    """Whatever is written within is its owner's alone."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


def _can_share(handle: int) -> bool:
    """Take the lock as one reader of several; false where a load holds it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _holder(handle: int) -> str:
    return os.pread(handle, 32, 0).decode("ascii", "replace").strip() or "unknown"
