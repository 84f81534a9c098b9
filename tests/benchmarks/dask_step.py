"""
Every device of a home computed by Dask workers: `python -m tests.benchmarks.dask_step HOME SCHEDULER WORKERS`.

Prints a JSON list with the seconds of one round; a round before it, not counted, has the workers import what
they need.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from prefect import flow

from flows.loading.batch_sizes import batch_minutes
from flows.loading.computing import device_batches
from flows.loading.stale import read_ward, stale_devices
from flows.loading.survey import batches
from flows.orchestration.prefect_dask import workers
from pipeline.definitions import load_definitions
from pipeline.store import Home


@flow(name="compute step", persist_result=False)
def compute(home: Home, scheduler: str, expected: int) -> list[float]:
    """Fetch every batch's result and let it go."""
    import distributed

    with distributed.Client(scheduler, set_as_default=False) as client:
        client.wait_for_workers(expected, timeout=60)
    definitions = load_definitions()
    ward = read_ward(home)
    every = stale_devices(home, ward, definitions).parts  # of all devices, up to date or not
    weights = dict.fromkeys(every, 0)
    files = device_batches(home.lake.anywhere, [list(every)], ward, definitions)
    for row in next(files).files.iter_rows(named=True):
        for device in row["device"].split(";"):
            weights[f"{row['site']}:{device}"] += row["rows_kept"]
    some = list(batches(weights.items(), batch_minutes()))
    took = []
    with workers(scheduler) as ahead:
        for _ in range(2):
            start = time.perf_counter()
            minutes = 0
            for _, computed in ahead(device_batches(home.lake.anywhere, some, ward, definitions)):
                minutes += computed()["course"].height
            took.append(time.perf_counter() - start)
            assert minutes > 0
    return took[1:]


if __name__ == "__main__":
    print(json.dumps(compute(Home(Path(sys.argv[1])), sys.argv[2], int(sys.argv[3]))))
