"""Records of what was erased: marks that keep it out, counts and dates; nothing that says whose it was."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from pipeline.store.durable import make_folder, write_whole
from schemas.errors import LedgerError

FOLDER = "erased"  # below the private store


@dataclass(frozen=True)
class Erasure:
    """
    One erasure.

    Parameters
    ----------
    name
        First digits of a keyed digest over its marks.
    asked
        `patient`, `drain`, `age` or `file`.
    why
        The reason given; whoever gives it is told to name nobody.
    counts
        What went: drains, device uses, rows of logs, of registries, of annotations, files, files rewritten.
    extracts
        Ids of extracts that hold some of it, as far as the house knows.
    files
        Digests of the files to be gone through; only until it is done.
    done
        Whether everything is gone; if not, the next command goes on.
    """

    name: str
    erased_on: str
    asked: str
    why: str
    counts: Mapping[str, int] = field(default_factory=dict)
    extracts: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    files: tuple[str, ...] = ()
    done: bool = False

    @property
    def finished(self) -> Erasure:
        """The same, done."""
        return replace(self, files=(), done=True)


def write_erasure(private: Path, erasure: Erasure) -> None:
    """Keep a record, durably."""
    folder = private / FOLDER
    make_folder(folder)
    write_whole(folder / f"{erasure.name}.json", json.dumps(asdict(erasure), indent=1).encode())


def read_erasures(private: Path) -> list[Erasure]:
    """
    Every record, in the order of their days and names.

    Raises
    ------
    LedgerError
        When one cannot be read: without it what was erased could come back.
    """
    return sorted(
        (_read(path) for path in (private / FOLDER).glob("*.json")), key=lambda e: (e.erased_on, e.name)
    )


def _read(path: Path) -> Erasure:
    try:
        entry: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        lists = {name: tuple(entry[name]) for name in ("extracts", "marks", "files")}
        return Erasure(**{**entry, **lists})
    except (OSError, ValueError, TypeError, KeyError) as error:
        raise LedgerError(
            f"{path}: this record of an erasure cannot be read ({type(error).__name__}), and without it what "
            "was erased could come back; restore it from a backup."
        ) from error
