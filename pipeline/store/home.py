"""Where everything of one ledger is kept, and who may touch it."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.store.disk import disk_fault
from pipeline.store.durable import make_folder
from pipeline.store.key import PseudonymKey
from pipeline.store.lock import Lock, owners_alone
from pipeline.store.place import Folder, Place, place_of
from pipeline.store.vault import Vault
from schemas.errors import DiskError, LakeError, LedgerError, StoreError

if TYPE_CHECKING:  # the lake's engines take longer to import than the database to answer
    from pipeline.store.lake import Lake
    from pipeline.store.store_file import ObjectStore

STORE_FILE = "store.toml"
CLAIM = "drainledger-home"  # object in a store that names the home it belongs to
# In a path, the lake's or the database's engine takes these for a pattern or an escape.
_UNFIT = frozenset("[]{}*?%\\\n\r\t")


@dataclass(frozen=True)
class Home:
    """
    The folder of one ledger.

    `raw/` holds every log ever given by digest, `lake/` the Delta tables, `private/` registry files,
    keys, names and rejected values, `drainledger.duckdb` is what people query. Where there is a `store.toml`,
    `raw/` and `lake/` lie in the object store that it names; all else stays in the folder.

    Examples
    --------
    >>> Home(Path("ledger")).database.name
    'drainledger.duckdb'
    """

    root: Path

    @property
    def store_file(self) -> Path:
        """Says where raw files and lake lie; absent where they lie here."""
        return self.root / STORE_FILE

    @property
    def store(self) -> ObjectStore | None:
        """The object store that holds raw files and lake; null: they lie in the folder."""
        if not self.store_file.exists():
            return None
        from pipeline.store.store_file import read_store_file  # paid for by homes that have one

        return read_store_file(self.store_file)

    def _place(self, name: str) -> Path | Place:
        return self.root / name if self.store is None else self.place.child(name)

    @property
    def place(self) -> Place:
        """Where raw files and lake lie."""
        store = self.store
        if store is None:
            return Folder(self.root)
        from pipeline.store.bucket import Bucket

        return Bucket(store)

    @property
    def raw(self) -> Vault:
        """Vault of the log files."""
        return Vault(self._place("raw"))

    @property
    def lake(self) -> Lake:
        """What was loaded and what was computed from it."""
        from pipeline.store.lake import Lake

        return Lake(self.lake_lies)

    @property
    def lake_lies(self) -> Path | Place:
        """Where the lake lies: a folder, or a place in an object store."""
        return self._place("lake")

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
        from pipeline.store.lake import Lake

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
            for folder in (self.root, self.private):
                make_folder(folder)
            for place in (self.raw.place, place_of(self.lake_lies)):
                place.make()
            if not os.access(self.root, os.W_OK):
                shut = os.statvfs(self.root).f_flag & os.ST_RDONLY
                number = errno.EROFS if shut else errno.EACCES
                raise OSError(number, os.strerror(number), str(self.root))
        except OSError as error:
            raise LedgerError(
                f"home {self.root}: cannot be written ({error.strerror}); choose another with --home."
            ) from error
        self._claim()

    def _claim(self) -> None:
        """Write this home's name into its store, or see that it stands there: two homes in one would mix."""
        if (store := self.store) is None:
            return
        place = self.place
        if not place.has(CLAIM):
            place.write_once(CLAIM, store.owner.encode())
        if place.read(CLAIM) != store.owner.encode():
            raise StoreError(
                f"object store {store.url}: belongs to another home; give this one a prefix of its own, "
                f"or restore the {STORE_FILE} it was made with."
            )

    def explained(self, error: BaseException) -> LedgerError | None:
        """
        What an error means that an engine raised over this home's files, in one sentence.

        Null where it is in our own words already or has nothing to do with where the files lie.
        """
        if isinstance(error, LedgerError):
            return None
        from deltalake.exceptions import DeltaError
        from polars.exceptions import PolarsError

        from pipeline.store.damage import damage

        said = self.place.explained(error) or disk_fault(error, self.root)
        # What engines raise over a part that is gone or not what it was.
        of_a_part = isinstance(error, PolarsError | DeltaError | FileNotFoundError)
        if isinstance(said, StoreError | DiskError) or not of_a_part:
            return said
        found = [one for lake in (self.lake, self.private_lake) for one in damage(lake)]
        if not found:
            return said
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        return LakeError(
            f"lake: {found[0].name} {found[0].what}{more}; restore it from a backup, or run "
            "`drainledger rebuild`, which makes the lake again from the raw files."
        )

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except Exception as error:
            if (said := self.explained(error)) is None:
                raise
            raise said from error

    @contextmanager
    def locked(self) -> Iterator[None]:
        """
        Hold the ledger for one load, see `Lock.alone`; folders that are missing are made.

        Raises
        ------
        LedgerError
            When another load is running on this home.
        """
        with owners_alone():
            self.create()
        with self._lock.alone(), self._told():
            yield

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
        with self._lock.shared(), self._told():
            yield

    def load_in_progress(self) -> bool:
        """Whether a load holds the ledger just now."""
        return self._lock.held_alone()

    @property
    def _lock(self) -> Lock:
        return Lock(self.root)

    def secret(self) -> bytes:
        """The key of all pseudonyms, see `PseudonymKey.secret`; made at first use."""
        return self._key.secret()

    def note_key(self) -> None:
        """Make the key if there is none and note its fingerprint, before anything is named with it."""
        self._key.note()

    @property
    def key_check(self) -> Path:
        """Fingerprint of the key that the pseudonyms were made with; tells nothing of the key."""
        return self._key.check

    @property
    def _key(self) -> PseudonymKey:
        return PseudonymKey(self.private, self.database)
