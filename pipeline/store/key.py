"""The key of a home's pseudonyms: made once, kept beside the database, never made anew over what it named."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from pathlib import Path

from pipeline.store.durable import write_new, write_whole
from schemas.errors import LedgerError

SECRET_BYTES = 32


@dataclass(frozen=True)
class PseudonymKey:
    """
    The key in a home's private store.

    Parameters
    ----------
    private
        Folder of the private store.
    database
        The published database, which holds pseudonyms if it is there.
    """

    private: Path
    database: Path

    @property
    def check(self) -> Path:
        """Fingerprint of the key that the pseudonyms were made with; tells nothing of the key."""
        return self.private / "key-check"

    def secret(self) -> bytes:
        """
        The key of all pseudonyms; made at first use, 0600, beside and never in the database.

        Raises
        ------
        LedgerError
            When the file is there but holds no key, is gone although pseudonyms were made with it, or holds
            another key than those were made with: a new one would silently rename every drain.
        """
        path = self.private / "secret"
        if not path.exists():
            if made := self._named():
                raise LedgerError(
                    f"{path}: the key of the pseudonyms is gone, and {made} was made with it; restore it "
                    "from a backup, or begin again in an empty home with new pseudonyms."
                )
            write_new(path, secrets.token_bytes(SECRET_BYTES).hex().encode())
        try:
            key = bytes.fromhex(path.read_text(encoding="ascii").strip())
        except (ValueError, UnicodeDecodeError) as error:
            raise LedgerError(f"{path}: does not hold a key; restore it from a backup.") from error
        if len(key) != SECRET_BYTES:
            raise LedgerError(f"{path}: holds {len(key)} bytes instead of {SECRET_BYTES}; restore it.")
        if self.check.exists() and self.check.read_bytes().strip() != _fingerprint(key):
            raise LedgerError(
                f"{path}: holds another key than the one the pseudonyms here were made with; restore that, "
                f"or remove {self.check.name} beside it to have every drain renamed by the next load."
            )
        return key

    def note(self) -> None:
        """Make the key if there is none and note its fingerprint, before anything is named with it."""
        key = self.secret()
        if not self.check.exists():
            write_whole(self.check, _fingerprint(key))

    def _named(self) -> str | None:
        """Something here that holds pseudonyms, in words; null where there is nothing."""
        if self.database.exists():
            return self.database.name
        if self.check.exists():
            return "what was loaded here"
        return "an extract" if any((self.private / "extracts").glob("*.json")) else None


def _fingerprint(key: bytes) -> bytes:
    return hmac.new(key, b"which key the pseudonyms were made with", hashlib.sha256).hexdigest()[:16].encode()
