"""One thing that a look over a ledger found: what, where, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    """How a finding is to be taken."""

    FINE = "fine"  # looked at, nothing to do
    ADVICE = "advice"  # works, but somebody should look
    BROKEN = "broken"  # something fails or will


@dataclass(frozen=True)
class Finding:
    """
    What one look found.

    `check`: what was looked at; `what`: what is so, in a sentence; `where`: file, table or library; `do`:
    what to do about it, empty where there is nothing to do.
    """

    check: str
    grade: Grade
    what: str
    where: str = ""
    do: str = ""


def fine(check: str, what: str) -> Finding:
    """Looked at and in order."""
    return Finding(check, Grade.FINE, what)


def advice(check: str, what: str, where: str, do: str) -> Finding:
    """Works, but somebody should look."""
    return Finding(check, Grade.ADVICE, what, where, do)


def broken(check: str, what: str, where: str, do: str) -> Finding:
    """Fails, or will."""
    return Finding(check, Grade.BROKEN, what, where, do)
