"""One measured row: what, how much, against which target."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Row:
    """
    One line of the table.

    `at_least`, `at_most`: the target, None where the figure is only reported. `goal`: what we would
    rather reach. `peer`: what it was measured against, `detail`: sizes and raw times, `data`: what a table or
    a picture is made of.
    """

    what: str
    measured: float
    unit: str
    peer: str
    at_least: float | None = None
    at_most: float | None = None
    goal: float | None = None
    detail: str = ""
    data: Any = None

    @property
    def reached(self) -> bool | None:
        """Whether the target was reached; None where there is none."""
        if self.at_least is not None:
            return self.measured >= self.at_least
        if self.at_most is not None:
            return self.measured <= self.at_most
        return None

    def record(self) -> dict[str, Any]:
        """As it is kept in the dated file."""
        return {**asdict(self), "reached": self.reached}


def interleaved(
    jobs: dict[str, Callable[[], object]], rounds: int, clock: Callable[[], float] = time.perf_counter
) -> dict[str, float]:
    """
    The median seconds of each job, run one after the other in turn so that a slow spell hits all alike.

    `clock`: `time.process_time` where single-core work is compared, else the wall's.
    """
    seconds: dict[str, list[float]] = {name: [] for name in jobs}
    for _ in range(rounds):
        for name, job in jobs.items():
            start = clock()
            job()
            seconds[name].append(clock() - start)
    return {name: statistics.median(values) for name, values in seconds.items()}


def printed(rows: list[Row]) -> Iterator[str]:
    """The table as lines of text."""
    yield f"{'what':58}{'measured':>12} {'unit':10}{'target':>10}{'goal':>8}  verdict"
    for row in rows:
        target = (
            f">= {row.at_least:g}"
            if row.at_least is not None
            else f"<= {row.at_most:g}"
            if row.at_most is not None
            else ""
        )
        goal = "" if row.goal is None else f"{row.goal:g}"
        verdict = {True: "reached", False: "MISSED", None: "reported"}[row.reached]
        yield f"{row.what:58}{row.measured:12.3g} {row.unit:10}{target:>10}{goal:>8}  {verdict}"
        yield f"    against {row.peer}; {row.detail}" if row.detail else f"    against {row.peer}"
