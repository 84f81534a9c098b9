"""What a person waits for before anything is said, on a ledger of 1 000 drains."""

from __future__ import annotations

import statistics
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.fleet import copies, drainledger, fleet, measured
from tests.benchmarks.rows import Row

SIMULATED, TIMES = 100, 10
ROUNDS = 5
RATE = "SELECT * FROM prolonged_leak_rate"


def rows() -> Iterator[Row]:
    """Each command in a new process, the median of some; beside an interpreter that does nothing."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = copies(fleet(folder / "fleet", SIMULATED, traces_every_min=None), folder / "copies", TIMES)
        home = folder / "home"
        drainledger(home, "load", made.logs, made.registry)
        nothing = statistics.median(measured([sys.executable, "-c", ""]).seconds for _ in range(ROUNDS))
        for arguments, at_most in ((["--help"], 0.3), (["status"], 1.0), (["sql", RATE], 1.0)):
            runs = [drainledger(home, *arguments) for _ in range(ROUNDS)]
            # Two interpreters start: the command's own and the one that measures its memory.
            seconds = statistics.median(run.seconds for run in runs) - nothing / 2
            processor = statistics.median(run.processor for run in runs)
            yield Row(
                f"drainledger {arguments[0]}",
                seconds,
                "s",
                "nothing: a limit of our own",
                at_most=at_most,
                detail=f"{SIMULATED * TIMES} drains; processor {processor:.2f} s; an empty interpreter {nothing / 2:.2f} s",
            )
