"""What became of one file given to a load, in words for the person who gave it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flows.loading.naming import names_apart
from schemas.vocabulary import FileStatus

HELD_BACK = "erased"  # of a file all of which had been erased; it has no row in load_file

# Why a file of the ledger was read again, as the end of a sentence.
READ_AGAIN = {
    "profile": "because its profile says something else now",
    "shelf": "because the profiles have changed and none had fitted",
    "code": "because what turns bytes into rows has changed",
    "asked": "as asked",
}


@dataclass(frozen=True)
class Outcome:
    """
    What became of one file given to a load; `name` is for the person who gave it, never published.

    `wholeness_unsaid`: a log that was read and has no end line, so that one that breaks off would look the
    same. `held_back`: rows that were not taken in, for they had been erased from this ledger. `given`:
    digest of the bytes as they were given, where those that were kept are others. `again_for`: why a file of
    the ledger was read again, a word of `READ_AGAIN`. `folder`: the one it was given from; null where it was
    read from the vault. `recognised_as`: the profile that recognises it where another, `forced`, was named.
    `read_as`: the profile it was read with; `columns_unread`: how many of its columns that one does not name.
    `doubts`: what `check` doubts in it although its rows pass.
    """

    name: str
    digest: str
    status: str
    rows_read: int = 0
    rows_kept: int = 0
    rows_rejected: int = 0
    cells_rejected: int = 0
    reason: str | None = None
    known: bool = False
    wholeness_unsaid: bool = False
    held_back: int = 0
    given: str | None = None
    again_for: str | None = None
    folder: str | None = None
    forced: str | None = None
    recognised_as: str | None = None
    read_as: str | None = None
    columns_unread: int = 0
    doubts: tuple[str, ...] = ()

    @classmethod
    def of(cls, name: str, file: Mapping[str, Any], **more: Any) -> Outcome:
        """The outcome that a `load_file` row tells."""
        counts = {part: file[part] for part in ("rows_read", "rows_kept", "rows_rejected", "cells_rejected")}
        unsaid = bool(file["device"] and file["rows_kept"] and file["complete"] is None)
        return cls(
            name,
            file["file_sha256"],
            file["status"],
            reason=file["reason"],
            wholeness_unsaid=unsaid,
            read_as=file["profile"],
            columns_unread=(file["columns_ignored"] or 0)
            if file["device"]
            else 0,  # of paper `reason` says it
            **counts,
            **more,
        )

    @property
    def clean(self) -> bool:
        """Whether nothing of the file was rejected."""
        fine = (FileStatus.LOADED, FileStatus.WITHDRAWN, HELD_BACK)
        return self.status in fine and not self.cells_rejected

    @property
    def remark(self) -> str | None:
        """What somebody who gives the file again should be told; null: nothing."""
        if self.status == HELD_BACK:
            return "all that it holds was erased from this ledger on purpose; nothing of it was taken in."
        if self.held_back:
            return f"{self.held_back} of its rows had been erased from this ledger and were not taken in."
        if self.known and self.status == FileStatus.WITHDRAWN:
            return f"known and not taken in. {self.reason}"
        return None


def named_apart(outcomes: Sequence[Outcome]) -> list[str]:
    """
    What each file is called, by its folder too where several of one call have one name.

    Examples
    --------
    >>> named_apart([Outcome("a.csv", "1f", "loaded", folder=folder) for folder in ("in/north", "in/south")])
    ['north/a.csv', 'south/a.csv']
    """
    places = [Path(outcome.folder or "") / outcome.name for outcome in outcomes]
    apart = names_apart(places)
    return [apart[place] for place in places]


def unread_words(outcomes: Sequence[Outcome], names: Sequence[str]) -> str | None:
    """
    Which profiles leave columns of which files unread; null where none does.

    Examples
    --------
    >>> unread_words([Outcome("a.csv", "1f", "loaded", read_as="mill", columns_unread=2)], ["a.csv"])
    'Columns that no profile names, so that nobody reads them: 2 of a.csv (mill); `check` lists them.'
    """
    by: dict[str, list[tuple[str, int]]] = {}
    for outcome, name in zip(outcomes, names, strict=True):
        if outcome.columns_unread:
            by.setdefault(outcome.read_as or "unknown", []).append((name, outcome.columns_unread))
    if not by:
        return None
    told = []
    for profile, files in sorted(by.items()):
        more = f" and {len(files) - 1} more" if len(files) > 1 else ""
        upto = "up to " if len({columns for _, columns in files}) > 1 else ""
        told.append(f"{upto}{max(columns for _, columns in files)} of {files[0][0]}{more} ({profile})")
    return f"Columns that no profile names, so that nobody reads them: {'; '.join(told)}; `check` lists them."


def again_words(again: Sequence[Outcome]) -> str:
    """
    How many files of the ledger were read again, for which reasons, and what they brought.

    Examples
    --------
    >>> again_words([Outcome("a.csv", "1f", "loaded", again_for="shelf")])
    '1 file of the ledger read again: 1 because the profiles have changed and none had fitted (0 rows kept)'
    """
    count = Counter(outcome.again_for for outcome in again)
    reasons = [f"{count[word]} {said}" for word, said in READ_AGAIN.items() if count[word]]
    files = f"{len(again)} file{'' if len(again) == 1 else 's'} of the ledger read again"
    rejected = sum(outcome.status == FileStatus.REJECTED for outcome in again)
    kept = sum(outcome.rows_kept for outcome in again)
    became = f"{kept} row{'' if kept == 1 else 's'} kept" + (f", {rejected} rejected" if rejected else "")
    return f"{files}{': ' if reasons else ''}{', '.join(reasons)} ({became})"


def unended_words(logs: int) -> str:
    """
    How many logs do not say whether they are whole.

    Examples
    --------
    >>> unended_words(1)
    '1 log without an end line'
    """
    return f"{logs} log{'' if logs == 1 else 's'} without an end line"
