"""How each raw file was read, and which are being written just now, so that a killed load can be finished."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from pipeline.store.durable import flush_folder, make_folder, write_whole
from schemas.errors import LedgerError


@dataclass(frozen=True)
class Reading:
    """
    How a raw file was, or is to be, read.

    Parameters
    ----------
    kind
        `log`, `registry` or `annotations`.
    name
        Last part of the path it was given under; private, for names can hold patients' names.
    profile
        Profile asked for by name; null: recognised.
    profile_sha256
        Profile it was read with; its text lies in the vault. Null: not read yet, or no profile fitted.
    site
        Site given for files that do not say.
    """

    digest: str
    kind: str
    name: str
    profile: str | None = None
    profile_sha256: str | None = None
    site: str | None = None


def write_reading(folder: Path, reading: Reading) -> None:
    """Keep, durably, how a file was read: what `rebuild` needs besides its bytes."""
    path = folder / reading.digest[:2] / f"{reading.digest}.json"
    make_folder(path.parent)
    _write(path, asdict(reading))


def read_readings(folder: Path) -> list[Reading]:
    """How each file ever kept was read, in the order of their digests."""
    return [
        Reading(**json.loads(path.read_text(encoding="utf-8")))
        for path in sorted(folder.glob("*/*.json"), key=lambda p: p.name)
    ]


def write_journal(path: Path, readings: Sequence[Reading]) -> None:
    """Note, durably, the files that are about to be written."""
    _write(path, [asdict(reading) for reading in readings])


def read_journal(path: Path) -> list[Reading]:
    """
    Files whose writing was begun and not noted as done; empty after an undisturbed load.

    Raises
    ------
    LedgerError
        When the journal is there and cannot be read.
    """
    if not path.exists():
        return []
    try:
        return [Reading(**entry) for entry in json.loads(path.read_text(encoding="utf-8"))]
    except (OSError, ValueError, TypeError) as error:
        raise LedgerError(
            f"{path}: cannot be read ({error}); remove it and run `drainledger rebuild`."
        ) from error


def clear_journal(path: Path) -> None:
    """Note that everything in the journal is written."""
    path.unlink(missing_ok=True)
    flush_folder(path.parent)


def _write(path: Path, content: object) -> None:
    write_whole(path, json.dumps(content).encode())
