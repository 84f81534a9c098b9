"""Where everything of one ledger is kept, and who may touch it."""

from __future__ import annotations

import errno
import fcntl
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.lake import Lake
from pipeline.store.vault import Vault
from schemas.errors import LedgerError

SECRET_BYTES = 32
# In a path, the lake's or the database's engine takes these for a pattern or an escape.
_UNFIT = frozenset("[]{}*?%\\\n\r\t")


@dataclass(frozen=True)
class Home:
    """
    The folder of one ledger.

    `raw/` holds every log ever given by digest, `lake/` the Delta tables, `private/` registry files,
    keys, names and rejected values, `drainledger.duckdb` is what people query.

    Examples
    --------
    >>> Home(Path("ledger")).database.name
    'drainledger.duckdb'
    """

    root: Path

    @property
    def raw(self) -> Vault:
        """Vault of the log files."""
        return Vault(self.root / "raw")

    @property
    def lake(self) -> Lake:
        """What was loaded and what was computed from it."""
        return Lake(self.root / "lake")

    @property
    def private(self) -> Path:
        """What must never be published."""
        return self.root / "private"

    @property
    def private_raw(self) -> Vault:
        """Vault of registry and annotation files."""
        return Vault(self.private / "raw")

    @property
    def private_lake(self) -> Lake:
        """File names, rejected values, registry and annotation rows."""
        return Lake(self.private / "lake")

    @property
    def readings(self) -> Path:
        """How each raw file was read; private, for it holds file names."""
        return self.private / "readings"

    @property
    def journal(self) -> Path:
        """Which files are being written just now; there only during a load or after a killed one."""
        return self.private / "pending.json"

    @property
    def database(self) -> Path:
        """The published database."""
        return self.root / "drainledger.duckdb"

    def exists(self) -> bool:
        """Whether a ledger was ever begun here."""
        return self.private.is_dir()

    def create(self) -> None:
        """
        Make the folders, readable by their owner alone.

        Raises
        ------
        LedgerError
            When the folder cannot be made or written.
        """
        if wrong := sorted(set(str(self.root.resolve())) & _UNFIT):
            raise LedgerError(
                f"home {self.root}: its path has {' '.join(wrong)} in it, which a lake cannot bear; "
                "choose another with --home."
            )
        try:
            for folder in (self.root, self.private, self.raw.root, self.lake.root):
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            if not os.access(self.root, os.W_OK):
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(self.root))
        except OSError as error:
            raise LedgerError(
                f"home {self.root}: cannot be written ({error.strerror}); choose another with --home."
            ) from error

    @contextmanager
    def locked(self) -> Iterator[None]:
        """
        Hold the ledger for one load; a dead process cannot hold it, for the kernel drops its lock.

        Raises
        ------
        LedgerError
            When another load is running on this home.
        """
        self.create()
        handle = os.open(self.root / ".lock", os.O_RDWR | os.O_CREAT, 0o600)
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
            os.ftruncate(handle, 0)
            os.pwrite(handle, str(os.getpid()).encode(), 0)
            yield
        finally:
            os.close(handle)

    @contextmanager
    def reading(self) -> Iterator[None]:
        """
        Keep loads away while the ledger is read; any number may read at once.

        Raises
        ------
        LedgerError
            When a load is running on this home.
        """
        self.create()
        handle = os.open(self.root / ".lock", os.O_RDWR | os.O_CREAT, 0o600)
        try:
            if not _can_share(handle):
                raise LedgerError(
                    f"home {self.root}: a load is running here (process {_holder(handle)}); "
                    "wait for it to end, then ask again."
                )
            yield
        finally:
            os.close(handle)

    def load_in_progress(self) -> bool:
        """Whether a load holds the ledger just now."""
        path = self.root / ".lock"
        if not path.exists():
            return False
        try:
            handle = os.open(path, os.O_RDONLY)
        except PermissionError:
            return False  # somebody else's home: who may not look cannot tell
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return True
        finally:
            os.close(handle)
        return False

    def secret(self) -> bytes:
        """
        The key of all pseudonyms; made at first use, 0600, beside and never in the database.

        Raises
        ------
        LedgerError
            When the file is there but holds no key: a new one would silently rename every drain.
        """
        path = self.private / "secret"
        if not path.exists():
            if self.database.exists():
                raise LedgerError(
                    f"{path}: the key of the pseudonyms is gone; restore it from a backup, or remove "
                    f"{self.database.name} to begin again with new pseudonyms."
                )
            part = path.with_name(f"secret.{os.getpid()}")
            handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "wb") as file:
                file.write(secrets.token_bytes(SECRET_BYTES).hex().encode())
                file.flush()
                os.fsync(file.fileno())
            part.rename(path)
        try:
            key = bytes.fromhex(path.read_text(encoding="ascii").strip())
        except (ValueError, UnicodeDecodeError) as error:
            raise LedgerError(f"{path}: does not hold a key; restore it from a backup.") from error
        if len(key) != SECRET_BYTES:
            raise LedgerError(f"{path}: holds {len(key)} bytes instead of {SECRET_BYTES}; restore it.")
        return key


def _can_share(handle: int) -> bool:
    """Take the lock as one reader of several; false where a load holds it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _holder(handle: int) -> str:
    return os.pread(handle, 32, 0).decode("ascii", "replace").strip() or "unknown"
