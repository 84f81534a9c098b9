"""Pseudonyms: names for drains, patients and operations that only the holder of the secret can make."""

from __future__ import annotations

import base64
import hmac
from collections.abc import Sequence
from enum import StrEnum


class Kind(StrEnum):
    """What a pseudonym names; its letter opens the pseudonym and its word enters the digest."""

    DRAIN = "drain"
    UNLINKED = "unlinked_drain"
    PATIENT = "patient"
    OPERATION = "operation"


_LETTER = {Kind.DRAIN: "D", Kind.UNLINKED: "U", Kind.PATIENT: "P", Kind.OPERATION: "O"}
_BYTES = 10  # 80 bits: 16 characters of base32, and a clash among a million drains has odds of 1 in 10^12


def pseudonym(secret: bytes, kind: Kind, *parts: str | int | None) -> str:
    """
    Name a thing by a keyed digest of what identifies it.

    HMAC-SHA256 (RFC 2104) of the kind and the parts, each written with its length before it, so that
    ("ab", "c") and ("a", "bc") differ and a missing part differs from an empty one. The first 80 bits
    are written in base32 behind a letter for the kind. Without the secret nobody can go from a known
    hospital key to the pseudonym; a new secret gives new pseudonyms throughout.

    Parameters
    ----------
    secret
        The ledger's secret.
    parts
        For a drain: site and the hospital's key. For a drain without registry: site, device, epoch,
        session and stretch of its use.

    Examples
    --------
    >>> pseudonym(b"secret", Kind.DRAIN, "lakeside", "4711")
    'DBEL4EDVD52Z3DC5Z'
    >>> pseudonym(b"another", Kind.DRAIN, "lakeside", "4711") == 'DBEL4EDVD52Z3DC5Z'
    False
    """
    digest = hmac.digest(secret, _encode((kind.value, *parts)), "sha256")
    return _LETTER[kind] + base64.b32encode(digest[:_BYTES]).decode("ascii")


def _encode(parts: Sequence[str | int | None]) -> bytes:
    pieces = []
    for part in parts:
        if part is None:
            pieces.append(b"-;")
        else:
            text = str(part).encode("utf-8")
            pieces.append(str(len(text)).encode("ascii") + b":" + text + b";")
    return b"".join(pieces)
