"""A process that dies at a moment, played in this one: nothing after the moment is done, nothing is tidied."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from pipeline.store import moments


class Died(BaseException):
    """Not an error anybody handles."""


@contextmanager
def dying_at(number: int) -> Iterator[list[str]]:
    """Die at the so-manieth moment of the store (0: never); gives the moments that passed."""
    before = moments.passed
    seen: list[str] = []

    def passed(moment: moments.Moment) -> None:
        seen.append(moment.name)
        if len(seen) == number:
            raise Died(moment.name)

    moments.passed = passed
    try:
        yield seen
    except Died:
        pass
    finally:
        moments.passed = before
