"""Progress of long work: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.progress import Progress


class Meter:
    """Progress of long work on standard error: bars on a terminal, a line a step elsewhere."""

    def __init__(self) -> None:
        self._bars: Progress | None = None
        self._tasks: dict[str, Any] = {}

    def __enter__(self) -> Meter:
        if sys.stderr.isatty():
            # Where nobody watches nobody waits for this import.
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

            self._bars = Progress(
                TextColumn("{task.description}"),
                BarColumn(),
                MofNCompleteColumn(),
                TimeElapsedColumn(),
                console=Console(stderr=True),
            )
            self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bars is not None:
            self._bars.stop()

    def __call__(self, what: str, done: int, total: int) -> None:
        """Note that `done` of `total` of that work is done."""
        if total == 0:
            return
        if self._bars is None:
            print(f"{what}: {done} of {total}", file=sys.stderr, flush=True)
            return
        if what not in self._tasks:
            self._tasks[what] = self._bars.add_task(what, total=total)
        self._bars.update(self._tasks[what], completed=done, total=total)
