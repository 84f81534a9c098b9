"""One load in a process of its own, stage by stage: `python -m tests.benchmarks.staged HOME PATH…` prints JSON."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from flows.loading.computing import Computed, Frames
from flows.loading.load import Stages, run_load
from flows.loading.request import request_for
from pipeline.store import Home

NOW = datetime(2034, 1, 1, tzinfo=UTC)  # after the last export of the invented year


class Watch:
    """Seconds, processor time and the most memory of each stage that a load's progress names."""

    def __init__(self) -> None:
        self.stages: dict[str, dict[str, float]] = {}
        self._name: str | None = None
        self._begun = (0.0, 0.0)
        self._computed = 0.0

    def __call__(self, what: str, done: int, total: int) -> None:
        """As `flows.loading.load.Progress`."""
        if what == self._name:
            return
        self.end()
        Path("/proc/self/clear_refs").write_text("5")  # the kernel begins to look for the most memory anew
        self._name, self._begun, self._computed = what, (time.perf_counter(), time.process_time()), 0.0

    def ahead(self, batches: Iterable[Any]) -> Iterator[tuple[Any, Computed]]:
        """As `flows.loading.computing.at_once`; what is left of a stage beside this is the writing of results."""
        for batch in batches:
            yield batch, partial(self._compute, batch)

    def _compute(self, batch: Any) -> Frames:
        begun = time.perf_counter()
        frames: Frames = batch.frames()
        self._computed += time.perf_counter() - begun
        return frames

    def end(self) -> None:
        """The stage that was under way is over."""
        if self._name is None:
            return
        seconds, processor = (
            now - begun
            for now, begun in zip((time.perf_counter(), time.process_time()), self._begun, strict=True)
        )
        self.stages[self._name] = {
            "seconds": round(seconds, 2),
            "computing": round(self._computed, 2),
            "processor": round(processor, 2),
            "peak_mib": round(_most_memory(), 1),
        }
        self._name = None


def _most_memory() -> float:
    """The most memory this process held since that was last begun anew; MiB."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


def main(home: Path, paths: list[Path]) -> dict[str, Any]:
    """Load, and say what each stage took and how much there was."""
    ledger = Home(home)
    ledger.create()
    watch = Watch()
    summary = run_load(
        ledger, paths, request_for(ledger), NOW, progress=watch, stages=Stages(ahead=watch.ahead)
    )
    watch.end()
    counts = {"devices": summary.devices, "minutes": summary.minutes, "drains": summary.drains}
    return {"stages": watch.stages, **counts, "files": len(summary.new)}


if __name__ == "__main__":
    print(json.dumps(main(Path(sys.argv[1]), [Path(path) for path in sys.argv[2:]])))
