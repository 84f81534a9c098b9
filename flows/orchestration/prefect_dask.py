"""
Past one machine: the batches of a load are computed by the workers of a Dask scheduler, as Prefect tasks.

Workers read the lake where it lies (a drive they all have mounted at the same place, or an object store) and
send back what they computed. They write nothing and see no key of a patient. The process that holds the
ledger's lock writes the results, batch by batch in the order of a local load, so all that holds for a local
load holds here: a reader sees the ledger before or after it, and a load that is killed is finished by the
next. A batch whose worker died is computed again by another one.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from io import BytesIO
from typing import Any, cast

import polars as pl

from flows.loading.computing import Ahead, Batch, Computed, Frames
from flows.loading.load import Stages
from flows.orchestration.orchestrator import api_address
from flows.orchestration.prefect_tasks import RETRY_SECONDS, TIMEOUT_SECONDS, as_task
from pipeline.provenance import code_digest
from schemas.errors import CallError, LedgerError

VARIABLE = "DRAINLEDGER_DASK"
_CONNECT_SECONDS = 30  # that a scheduler may take to answer, and its first worker to come
_A_WORKER = 2  # batches given to each thread of a worker: the one it computes and the next

# A batch's frames as Arrow IPC: a twentieth of their size, and sooner made than a pickle of them.
Packed = dict[str, bytes]


def scheduler_address() -> str | None:
    """Address of the Dask scheduler somebody chose, by the environment; null: none, compute here."""
    return os.environ.get(VARIABLE) or None


def check_scheduler(address: str | None) -> None:
    """
    See that what a load on workers needs has been said and is installed.

    Raises
    ------
    CallError
        When there is no Prefect server for the workers to report to, or Dask is not installed.
    """
    if address is None:
        return
    if not api_address():
        raise CallError(
            f"{VARIABLE}: workers report to a Prefect server that they can reach; name it in PREFECT_API_URL."
        )
    try:
        import prefect_dask  # noqa: F401
    except ImportError as error:
        raise CallError(f"{VARIABLE}: Dask is not installed here; install drainledger[scale].") from error


@contextmanager
def spread(
    stages: Stages,
    address: str | None,
    retry_seconds: Sequence[float] = RETRY_SECONDS,
    timeout_seconds: float = TIMEOUT_SECONDS,
) -> Iterator[Stages]:
    """The same stages, with the computing done by a scheduler's workers; null: as they are."""
    if address is None:
        yield stages
        return
    check_scheduler(address)
    with workers(address, retry_seconds, timeout_seconds) as ahead:
        yield replace(stages, ahead=ahead)


@contextmanager
def workers(
    address: str,
    retry_seconds: Sequence[float] = RETRY_SECONDS,
    timeout_seconds: float = TIMEOUT_SECONDS,
) -> Iterator[Ahead[Any]]:
    """
    Have batches computed by the workers of a scheduler; inside a Prefect flow.

    No more batches are out at a time than the workers' threads can hold two each, so that memory here and
    there hangs on the workers and on how large a batch is, not on how much there is to compute.

    Raises
    ------
    LedgerError
        When the scheduler does not answer or has no worker.
    """
    from prefect_dask.task_runners import DaskTaskRunner

    step = as_task("compute on a worker", compute_there, retry_seconds, timeout_seconds)
    runner = DaskTaskRunner(address=address, client_kwargs={"timeout": _CONNECT_SECONDS})
    with runner:
        try:
            client = runner.client
            client.wait_for_workers(1, timeout=_CONNECT_SECONDS)
        except (OSError, TimeoutError) as error:
            raise LedgerError(
                f"Dask scheduler {address}: no worker could be reached there; start it and its workers."
            ) from error
        most = _A_WORKER * sum(client.nthreads().values())  # type: ignore[no-untyped-call]
        yield cast("Ahead[Any]", partial(_ahead, runner, step, most))


def compute_there(compute: Computed, code: str) -> Packed:
    """
    What a worker does: compute one batch, with the very code that the load runs, and pack the result.

    A result goes through the scheduler, whose one process hands on those of all workers.

    Raises
    ------
    LedgerError
        When another version is installed where the worker runs.
    """
    if code_digest() != code:
        raise LedgerError(
            "a Dask worker runs another version of drainledger or of the libraries that compute; install the "
            "same there and load again."
        )
    return {name: _packed(frame) for name, frame in compute().items()}


def unpacked(packed: Packed) -> Frames:
    """The frames that a worker packed, as they were."""
    return {name: pl.read_ipc(BytesIO(frame)) for name, frame in packed.items()}


def _packed(frame: pl.DataFrame) -> bytes:
    sent = BytesIO()
    frame.write_ipc(sent, compression="zstd")
    return sent.getvalue()


def _ahead(
    runner: Any, step: Callable[..., Any], most: int, batches: Iterable[Batch]
) -> Iterator[tuple[Batch, Computed]]:
    from prefect.utilities.callables import get_call_parameters

    out: deque[tuple[Batch, Any]] = deque()
    for batch in batches:
        if len(out) == most:
            yield _next(out)
        given = get_call_parameters(step, (batch.frames, code_digest()), {})
        out.append((batch, runner.submit(step, given)))
    while out:
        yield _next(out)


def _next(out: deque[tuple[Batch, Any]]) -> tuple[Batch, Computed]:
    batch, future = out.popleft()
    return batch, partial(_result, future)


def _result(future: Any) -> Frames:
    from concurrent.futures import CancelledError

    from distributed import KilledWorker

    try:
        return unpacked(future.result())
    except KilledWorker as error:
        raise LedgerError(
            "Dask: workers died over one batch again and again, most likely for want of memory; give each "
            "more or make batches smaller (DRAINLEDGER_BATCH_MINUTES), and load again."
        ) from error
    except CancelledError as error:
        raise LedgerError("Dask: the scheduler went away; start it again and load again to go on.") from error
