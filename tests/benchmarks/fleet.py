"""Fleets of invented drains for the benches, and drainledger run on them as a person would: in a process of its own."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from pipeline.simulate import Simulation, simulate
from pipeline.simulate.sites import LAKESIDE

SEED = 7
# What a person has set may not move what is measured.
ENVIRONMENT = {
    name: value for name, value in os.environ.items() if not name.startswith(("PREFECT_", "DRAINLEDGER_"))
}


@dataclass(frozen=True)
class Run:
    """One process: its seconds on the wall and on the processor, and the most memory it held."""

    seconds: float
    processor: float
    peak_mib: float
    printed: str


def fleet(out: Path, drains: int, *, traces_every_min: int | None, seed: int = SEED) -> Simulation:
    """Version-1 logs of one invented hospital over a year, with a 30 s trace every so many minutes or none."""
    return simulate(out, drains, seed, traces_every_min=traces_every_min, sites=[LAKESIDE])


def drainledger(home: Path, *arguments: str | Path) -> Run:
    """Run the command in a process of its own; a status of 0 or 1 (some input rejected) is right."""
    return measured([sys.executable, "-m", "flows.cli", "--home", str(home), *map(str, arguments)], (0, 1))


def measured(command: list[str], right: tuple[int, ...] = (0,)) -> Run:
    """Run a command and measure it and what it started."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    # A process between us and it, so that the most memory is its own and not that of an earlier child.
    timer = [sys.executable, "-c", _TIMER, *command]
    done = subprocess.run(timer, env=ENVIRONMENT, capture_output=True, text=True)
    seconds = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in right:
        raise RuntimeError(f"{' '.join(command)} ended with {done.returncode}: {done.stderr[-2000:]}")
    peak = int(done.stderr.rstrip().rsplit("peak_kib=", 1)[1])
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Run(seconds, spent, peak / 1024, done.stdout)


_TIMER = """
import resource, subprocess, sys
status = subprocess.run(sys.argv[1:]).returncode
print("peak_kib=%d" % resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, file=sys.stderr)
sys.exit(status)
"""
