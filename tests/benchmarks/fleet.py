"""Fleets of invented drains for the benches, and drainledger run on them as a person would: in a process of its own."""

from __future__ import annotations

import gzip
import json
import os
import re
import resource
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

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


@dataclass(frozen=True)
class Copies:
    """Where the exports of a fleet lie that was made by copying another under other serials and keys."""

    logs: Path
    registry: Path
    files: tuple[Path, ...]
    bytes_given: int
    bytes_raw: int  # of the same files, none of them compressed
    bytes_gzipped: int  # of the same files, each of them compressed


def copies(given: Simulation, out: Path, times: int) -> Copies:
    """
    The same drains so many times, each time on other devices and with other keys.

    Simulating costs more than loading; and a fleet of copies grows in number and in nothing else, so that
    what is measured on it is growth alone. Its minutes lie in the same months however many they are. Packed
    copies are packed at gzip's fastest level; `bytes_gzipped` stands for its usual one.
    """
    logs, registry = out / "logs", out / "registry"
    logs.mkdir(parents=True)
    registry.mkdir()
    raw = gzipped = 0
    for path in given.log_files:
        packed = path.suffix == ".gz"
        text = gzip.decompress(path.read_bytes()) if packed else path.read_bytes()
        size = len(gzip.compress(text, mtime=0))
        head, mark, rows = text.partition(b"\nrecord,")
        for number in range(times):
            name = f"{number:03d}-{path.name}"
            data = _renamed(head, number) + mark + rows
            raw += len(data)
            gzipped += size
            (logs / name).write_bytes(gzip.compress(data, compresslevel=1, mtime=0) if packed else data)
    for path in given.registries:
        head, mark, rows = path.read_bytes().partition(b"drain_key,")
        header, _, body = rows.partition(b"\n")
        every = b"".join(_renamed(body, number) for number in range(times))
        (registry / path.name).write_bytes(head + mark + header + b"\n" + every)
    files = tuple(sorted(logs.iterdir()))
    return Copies(logs, registry, files, sum(f.stat().st_size for f in files), raw, gzipped)


def _renamed(text: bytes, number: int) -> bytes:
    return re.sub(rb"\b(DV|LS|LSP)-(\d+)", rb"\1-\2.%03d" % number, text)


def drainledger(home: Path, *arguments: str | Path) -> Run:
    """Run the command in a process of its own; a status of 0 or 1 (some input rejected) is right."""
    return measured([sys.executable, "-m", "flows.cli", "--home", str(home), *map(str, arguments)], (0, 1))


def staged(home: Path, *paths: Path) -> dict[str, Any]:
    """One load in a process of its own, measured stage by stage: what `tests.benchmarks.staged` prints."""
    run = measured([sys.executable, "-m", "tests.benchmarks.staged", str(home), *map(str, paths)])
    found: dict[str, Any] = json.loads(run.printed)
    most = max(stage["peak_mib"] for stage in found["stages"].values())  # the kernel's own was begun anew
    return found | {"seconds": run.seconds, "processor": run.processor, "peak_mib": most}


def measured(
    command: list[str], right: tuple[int, ...] = (0,), surroundings: Mapping[str, str] | None = None
) -> Run:
    """Run a command and measure it and what it started."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    # A process between us and it, so that the most memory is its own and not that of an earlier child.
    timer = [sys.executable, "-c", _TIMER, *command]
    done = subprocess.run(timer, env=ENVIRONMENT | dict(surroundings or {}), capture_output=True, text=True)
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
