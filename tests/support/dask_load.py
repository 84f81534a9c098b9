"""
One load on Dask workers in a process of its own: `python -m tests.support.dask_load HOME PATH… [--kill]`.

`--kill`: the first worker that has a batch in hand is killed. Prints JSON: what the load did, how many workers
were killed, and how many are left.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from distributed import Client

from flows.loading.computing import Ahead, Computed
from flows.orchestration import orchestrator
from pipeline.store import Home

PATIENCE = 60.0  # seconds until a worker has something to do, on a busy machine


def main(root: str, paths: list[str], *, kill: bool) -> dict[str, Any]:
    """Load, and say how it went."""
    home = Home(Path(root))
    orchestrator.prepare(home.root)
    from flows.orchestration import prefect_dask
    from flows.orchestration.prefect_load import load_under_prefect

    killed: list[int] = []
    with Client(os.environ["DRAINLEDGER_DASK"], set_as_default=False) as client:

        def deadly(ahead: Ahead, batches: Iterable[Any]) -> Iterator[tuple[Any, Computed]]:
            for batch, computed in ahead(batches):
                if kill and not killed:
                    killed.append(_kill_one_at_work(client))
                yield batch, computed

        whole = prefect_dask.workers

        @contextmanager
        def mortal(*said: Any) -> Iterator[Ahead]:
            with whole(*said) as ahead:
                yield partial(deadly, ahead)

        prefect_dask.workers = mortal
        summary = load_under_prefect(home, [Path(path) for path in paths])
        done = client.run(lambda dask_worker: dask_worker.state.executed_count)
        left = len(client.scheduler_info()["workers"])
    return {
        "loaded": [summary.devices, summary.drains, summary.published],
        "killed": len(killed),
        "left": left,
        "tasks": list(done.values()),
    }


def _kill_one_at_work(client: Any) -> int:
    """Wait until a worker has a batch in hand, and kill its process; gives the process."""
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        busy = [worker for worker, tasks in client.processing().items() if tasks]
        if busy:
            process = client.run(os.getpid, workers=busy[:1])[busy[0]]
            os.kill(process, signal.SIGKILL)
            return int(process)
        time.sleep(0.01)
    raise AssertionError("no worker ever had anything to do")


if __name__ == "__main__":
    asked = [word for word in sys.argv[1:] if word != "--kill"]
    print(json.dumps(main(asked[0], asked[1:], kill="--kill" in sys.argv)))
