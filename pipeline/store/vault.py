"""Raw files by the digest of their bytes: written once, never changed."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.durable import make_folder, write_whole
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
    """A folder of files named by their SHA-256, in 256 sub-folders, read-only."""

    root: Path

    def path(self, digest: str) -> Path:
        """Where the file of that digest lies."""
        return self.root / digest[:2] / digest

    def keep(self, data: bytes) -> str:
        """Store the bytes durably and return their digest; bytes already there are left alone."""
        digest = digest_of(data)
        path = self.path(digest)
        if not path.exists():
            make_folder(path.parent)
            write_whole(path, data, 0o400)
        return digest

    def read(self, digest: str) -> bytes:
        """
        The bytes of that digest, checked against it.

        Raises
        ------
        LedgerError
            When the file is missing or no longer what it was.
        """
        path = self.path(digest)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise LedgerError(
                f"raw file {digest[:12]}…: cannot be read ({error.strerror}); restore {path} from a backup."
            ) from error
        if digest_of(data) != digest:
            raise LedgerError(
                f"raw file {digest[:12]}…: its bytes have changed; restore {path} from a backup."
            )
        return data

    def forget(self, digest: str) -> None:
        """Take the file of that digest out, where it is: it lies in another vault now."""
        self.path(digest).unlink(missing_ok=True)
