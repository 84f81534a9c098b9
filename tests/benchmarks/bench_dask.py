"""The compute step of a load on the workers of a Dask scheduler: two against one, each a process of one thread."""

from __future__ import annotations

import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.benchmarks.fleet import ENVIRONMENT, copies, fleet, measured, staged
from tests.benchmarks.rows import Row

SIMULATED, TIMES, TRACES_EVERY_MIN = 100, 4, 5
ROUNDS = 2
BATCH_MINUTES = 120_000  # so that no worker stands idle at the end for want of a last batch
PATIENCE = 120.0
# One thread each, whatever the libraries would take: the question is what a second worker brings.
ONE_THREAD = dict.fromkeys(("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")


def rows() -> Iterator[Row]:
    """Every device of a loaded year computed by workers and fetched, and nothing written; in turn on one and two."""
    with tempfile.TemporaryDirectory() as name, ExitStack() as begun:
        folder = Path(name)
        given = fleet(folder / "fleet", SIMULATED, traces_every_min=TRACES_EVERY_MIN)
        made = copies(given, folder / "copies", TIMES)
        home = folder / "home"
        loaded = staged(home, made.logs, made.registry)
        port = _free_port()
        server = f"http://127.0.0.1:{port}/api"
        scheduler = f"tcp://127.0.0.1:{_free_port()}"
        quiet = {"PREFECT_HOME": str(folder / "prefect"), "PREFECT_SERVER_ANALYTICS_ENABLED": "false"}
        said = {**quiet, "PREFECT_API_URL": server, "DRAINLEDGER_BATCH_MINUTES": str(BATCH_MINUTES)}
        said["PREFECT_LOGGING_LEVEL"] = "CRITICAL"
        prefect = ["-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)]
        begun.enter_context(_process(prefect, quiet))
        at = scheduler.rpartition(":")[2]
        dask = ["-m", "dask", "scheduler", "--host", "127.0.0.1", "--port", at, "--no-dashboard"]
        begun.enter_context(_process(dask, {}))
        _wait_for(f"{server}/health")
        worker = ["-m", "dask", "worker", scheduler, "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        begun.enter_context(_process(worker, ONE_THREAD))
        seconds: dict[int, list[float]] = {1: [], 2: []}
        step = [sys.executable, "-m", "tests.benchmarks.dask_step", str(home), scheduler]
        for _ in range(ROUNDS):
            seconds[1] += json.loads(measured([*step, "1"], surroundings=said).printed)
            with _process(worker, ONE_THREAD):
                seconds[2] += json.loads(measured([*step, "2"], surroundings=said).printed)
    one, two = (statistics.median(seconds[n]) for n in (1, 2))
    stage = loaded["stages"]["computing devices"]
    yield Row(
        "Dask: the compute step on two workers against one",
        one / two,
        "x faster",
        "the same on one worker of one thread",
        at_least=1.7,
        detail=f"{SIMULATED * TIMES} drains with traces, batches of {BATCH_MINUTES} minutes: {one:.1f} against "
        f"{two:.1f} s, medians of {ROUNDS}; {os.cpu_count()} cores, which the loading process and the scheduler "
        f"share; a load without Dask computes and writes them in {stage['seconds']:.1f} s",
    )


@contextmanager
def _process(command: list[str], more: dict[str, str]) -> Iterator[None]:
    """A process that ends, with all that it began, when this is left or when this process ends, however that ends."""
    process = subprocess.Popen(
        [sys.executable, "-c", _UNTIL_LET_GO, sys.executable, *command],
        env=ENVIRONMENT | more,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    assert process.stdin is not None
    try:
        yield
    finally:
        process.stdin.close()
        process.wait()


# The pipe to it is held open by whoever began it; the system closes it even for a process that was killed.
_UNTIL_LET_GO = """
import os, signal, subprocess, sys
begun = subprocess.Popen(sys.argv[1:], stdin=subprocess.DEVNULL)
sys.stdin.read()
signal.signal(signal.SIGTERM, signal.SIG_IGN)
os.killpg(0, signal.SIGTERM)
try:
    begun.wait(10)
except subprocess.TimeoutExpired:
    pass
os.killpg(0, signal.SIGKILL)
"""


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _wait_for(address: str) -> None:
    until = time.monotonic() + PATIENCE
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5):
                return
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.5)
