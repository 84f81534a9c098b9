"""What became of a file in a sentence, what was rejected of it in lines, and how things are counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from flows.show.broken import broken_lines
from schemas.vocabulary import FileStatus

if TYPE_CHECKING:
    from flows.loading.outcome import Outcome

MOST_LINES = 20  # about rejected rows a file; all rows with --json


def fate(outcome: Outcome, name: str, how: str | None = None) -> str:
    """What became of a file; with `how` (profile or kind) what would become of it."""
    name = name if how is None else f"{name} ({how})"
    would = "" if how is None else "would be "
    reason = f" {outcome.reason}" if outcome.reason else ""
    if outcome.status == FileStatus.REJECTED:
        return f"{name}: {would}rejected.{reason}"
    cells = f", {counted(outcome.cells_rejected, 'cell')} made null" if outcome.cells_rejected else ""
    return f"{name}: {outcome.rows_kept} of {outcome.rows_read} rows {would}kept{cells}.{reason}"


def show_broken(rejected: pl.DataFrame, most: int | None, rest: str) -> None:
    """Print what was rejected of a file, alike rows joined; beyond `most` lines say where the rest is."""
    lines = broken_lines(rejected, joined=most is not None)
    for line in lines[:most]:
        print("    " + line)
    if most is not None and len(lines) > most:
        print(f"    and {len(lines) - most} more; {rest}")
    elif most is not None and len(broken_lines(rejected, joined=False)) > len(lines):
        print(f"    each with its value: {rest}")


def counted(number: int, thing: str, things: str | None = None) -> str:
    """
    A number of things in words.

    Examples
    --------
    >>> counted(1, "copy", "copies"), counted(2, "copy", "copies")
    ('1 copy', '2 copies')
    """
    return f"{number} {thing}" if number == 1 else f"{number} {things or thing + 's'}"
