"""How much a load holds at once: what bounds its memory, whatever there is to load."""

from __future__ import annotations

import os
from collections.abc import Mapping

from schemas.errors import CallError

# Of log rows computed at once. A batch smaller than one device is that device.
MINUTES, BATCH_MINUTES = "DRAINLEDGER_BATCH_MINUTES", 1_000_000
# Of raw files read at once, in MiB. A single larger file is a batch of its own.
MEBIBYTES, BATCH_MEBIBYTES = "DRAINLEDGER_BATCH_MIB", 64


def batch_minutes(environment: Mapping[str, str] = os.environ) -> int:
    """
    Log rows that are computed at once; no result hangs on it.

    Raises
    ------
    CallError
        When the environment asks for something that is no number of rows.
    """
    return _whole(environment, MINUTES, BATCH_MINUTES)


def batch_bytes(environment: Mapping[str, str] = os.environ) -> int:
    """
    Bytes of raw files that are read at once; no result hangs on it.

    Raises
    ------
    CallError
        As `batch_minutes`.
    """
    return _whole(environment, MEBIBYTES, BATCH_MEBIBYTES) * 2**20


def _whole(environment: Mapping[str, str], name: str, unsaid: int) -> int:
    said = environment.get(name)
    if not said:
        return unsaid
    if not (said.isascii() and said.isdigit() and int(said)):
        raise CallError(f"{name}={said}: must be a whole number of 1 or more.")
    return int(said)
