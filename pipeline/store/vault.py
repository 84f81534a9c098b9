"""Raw files by the digest of their bytes: written once, never changed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.place import Place, place_of
from schemas.errors import LedgerError


def digest_of(data: bytes) -> str:
    """
    SHA-256 of the bytes, in hex.

    Examples
    --------
    >>> digest_of(b"")[:8]
    'e3b0c442'
    """
    return hashlib.sha256(data).hexdigest()


@dataclass(frozen=True)
class Vault:
    """
    Files named by their SHA-256, in 256 folders, read-only; written once, never changed.

    Parameters
    ----------
    root
        A folder, or a place in an object store.
    """

    root: Path | Place

    @property
    def place(self) -> Place:
        """Where the files lie."""
        return place_of(self.root)

    def path(self, digest: str) -> Path:
        """Where the file of that digest lies, in a vault on a disk; elsewhere ask `address`."""
        if not isinstance(self.root, Path):
            raise LedgerError(f"{self.address(digest)}: lies in an object store and has no path here.")
        return self.root / digest[:2] / digest

    def address(self, digest: str) -> str:
        """Where the file of that digest lies, for people: a path or an object's address."""
        return f"{self.place.address}/{_name(digest)}"

    def has(self, digest: str) -> bool:
        """Whether a file of that digest is kept here."""
        return self.place.has(_name(digest))

    def digests(self) -> list[str]:
        """Digests of all files kept here, in order."""
        return sorted(name.rpartition("/")[2] for name in self.place.sizes())

    def size_bytes(self) -> int:
        """Bytes of all files kept here."""
        return sum(self.place.sizes().values())

    def keep(self, data: bytes, digest: str | None = None) -> str:
        """
        Store the bytes durably and return their digest; bytes already there are left alone.

        `digest`: theirs, where it is known already.
        """
        digest = digest or digest_of(data)
        if not self.has(digest):
            self.place.write_once(_name(digest), data)
        return digest

    def keep_all(self, files: Mapping[str, bytes]) -> set[str]:
        """
        Store many files durably, by their digests, and return which were not there before.

        Bytes already there are left alone.
        """
        new = {digest: data for digest, data in files.items() if not self.has(digest)}
        self.place.write_all_once({_name(digest): data for digest, data in new.items()})
        return set(new)

    def read(self, digest: str) -> bytes:
        """
        The bytes of that digest, checked against it.

        Raises
        ------
        LedgerError
            When the file is missing or no longer what it was.
        """
        try:
            data = self.place.read(_name(digest))
        except OSError as error:
            raise LedgerError(
                f"raw file {digest[:12]}…: cannot be read ({error.strerror or error}); restore "
                f"{self.address(digest)} from a backup."
            ) from error
        if digest_of(data) != digest:
            raise LedgerError(
                f"raw file {digest[:12]}…: its bytes have changed; restore {self.address(digest)} from a "
                "backup."
            )
        return data

    def forget(self, digest: str) -> None:
        """Take the file of that digest out, where it is: it lies in another vault now, or was erased."""
        self.place.remove(_name(digest))


def _name(digest: str) -> str:
    return f"{digest[:2]}/{digest}"
