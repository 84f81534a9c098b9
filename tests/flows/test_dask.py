"""A load whose batches are computed by the workers of a real Dask scheduler, each a process of its own."""

from __future__ import annotations

import json
import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from flows.cli import WRONG_CALL, run
from flows.computing import DEVICE_TABLES, DRAIN_STAGE, Ahead, Computed
from flows.load import Stages, run_load
from flows.prefect_dask import compute_there, workers
from flows.request import request_for
from pipeline.store import Home
from schemas.errors import LedgerError
from tests.laws.conftest import ANNOTATIONS, REGISTRY, v1, write_small
from tests.support.homes import NOW, differences, load, make_home, published

WORKERS = 2
PATIENCE = 60.0  # seconds that a process may take to start on a busy machine


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_small(tmp_path_factory.mktemp("given") / "landing")


@pytest.fixture(scope="module")
def local(tmp_path_factory: pytest.TempPathFactory, given: list[Path]) -> Home:
    """The same files loaded here, without anything about Dask or Prefect."""
    home = make_home(tmp_path_factory.mktemp("local"))
    load(home, given)
    return home


@dataclass(frozen=True)
class Cluster:
    """Where a Dask scheduler with two workers and a Prefect server can be reached."""

    scheduler: str
    server: str


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """Each of them a process of its own; those begun here are ended here."""
    folder = tmp_path_factory.mktemp("dask")
    found = folder / "scheduler.json"
    from prefect.events.worker import EventsWorker
    from prefect.logging.handlers import APILogWorker
    from prefect.settings import PREFECT_API_URL
    from prefect.testing.utilities import prefect_test_harness

    with pytest.MonkeyPatch.context() as patch, ExitStack() as begun:
        for name in ("PREFECT_SERVER_ANALYTICS_ENABLED", "DO_NOT_TRACK"):
            patch.setenv(name, "false" if name.startswith("PREFECT") else "1")
        patch.setenv("PREFECT_SERVER_LOGGING_LEVEL", "CRITICAL")  # it outlives the captured output
        patch.setenv("PREFECT_LOGGING_TO_API_ENABLED", "false")
        patch.setenv("POLARS_MAX_THREADS", "1")
        at = ["--scheduler-file", str(found), "--no-dashboard"]
        begun.enter_context(_process("scheduler", "--host", "127.0.0.1", "--port", "0", *at))
        for _ in range(WORKERS):
            begun.enter_context(_process("worker", "--nthreads", "1", "--no-nanny", *at))
        with prefect_test_harness(server_startup_timeout=120):
            yield Cluster(_address(found), str(PREFECT_API_URL.value()))
            # As in test_prefect_load: do not wait for events of servers that are gone.
            patch.setattr(APILogWorker, "drain", lambda worker: None)
            patch.setattr(EventsWorker, "drain_all", lambda: None)


@contextmanager
def _process(kind: str, *options: str) -> Iterator[None]:
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", kind, *options], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield
    finally:
        process.kill()
        process.wait()


def _address(found: Path) -> str:
    until = time.monotonic() + PATIENCE
    while not found.exists() or not found.read_text().strip():
        assert time.monotonic() < until, "no scheduler"
        time.sleep(0.05)
    return str(json.loads(found.read_text())["address"])


@pytest.fixture
def scheduler(cluster: Cluster, monkeypatch: pytest.MonkeyPatch) -> str:
    """The scheduler's address, with all said that a load needs to find it."""
    monkeypatch.setenv("PREFECT_API_URL", cluster.server)
    monkeypatch.setenv("DRAINLEDGER_DASK", cluster.scheduler)
    monkeypatch.setenv("DRAINLEDGER_BATCH_MINUTES", "300")  # a batch a device, or nearly
    return cluster.scheduler


def test_workers_make_the_same_ledger_as_a_local_load(
    scheduler: str, tmp_path: Path, given: list[Path], local: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    from distributed import Client

    from flows.prefect_load import load_under_prefect

    monkeypatch.chdir(tmp_path)  # the workers are somewhere else
    home = make_home(Path("ledger"))
    summary = load_under_prefect(home, given)
    assert (summary.devices, summary.drains, summary.published) == (4, 4, True)
    assert differences(published(home), published(local)) == []
    for table in (*DEVICE_TABLES, *DRAIN_STAGE):
        ours, theirs = (h.lake.scan(table).collect().sort(table.key) for h in (home, local))
        assert ours.equals(theirs), table.name
    with Client(scheduler, set_as_default=False) as client:
        done = client.run(lambda dask_worker: dask_worker.state.executed_count)
    assert sum(done.values()) >= 4 + 2  # a batch a device, and some of drains
    assert len(done) == WORKERS


def test_a_worker_killed_over_its_batch_costs_nothing_but_time(
    scheduler: str, tmp_path: Path, given: list[Path], local: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    from distributed import Client

    from flows.prefect_load import load_under_prefect

    home = make_home(tmp_path / "ledger")
    killed: list[int] = []
    with Client(scheduler, set_as_default=False) as client:

        def deadly(ahead: Ahead, batches: Iterable[Any]) -> Iterator[tuple[Any, Computed]]:
            for batch, computed in ahead(batches):
                if not killed:
                    killed.append(_kill_one_at_work(client))
                yield batch, computed

        @contextmanager
        def mortal(*said: Any) -> Iterator[Ahead]:
            with workers(*said) as ahead:
                yield partial(deadly, ahead)

        monkeypatch.setattr("flows.prefect_dask.workers", mortal)
        load_under_prefect(home, given)
        assert len(client.scheduler_info()["workers"]) == WORKERS - 1
    assert len(killed) == 1
    assert differences(published(home), published(local)) == []


def _kill_one_at_work(client: Any) -> int:
    """Wait until a worker has a batch in hand, and kill its process; gives the process."""
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        busy = [worker for worker, tasks in client.processing().items() if tasks]
        if busy:
            process = client.run(os.getpid, workers=busy[:1])[busy[0]]
            os.kill(process, signal.SIGKILL)
            return int(process)
    raise AssertionError("no worker ever had anything to do")


def test_no_key_of_a_patient_and_no_note_leaves_for_a_worker(
    new_home: Callable[[], Home], tmp_path: Path
) -> None:
    home = new_home()
    (tmp_path / "log.csv").write_bytes(v1("DV-1", 0, 400, "2031-03-10T16:00:00+01:00"))
    (tmp_path / "registry.csv").write_bytes(REGISTRY.replace(b"K1,P1", b"Kittiwake,Puffin"))
    (tmp_path / "notes.csv").write_bytes(
        ANNOTATIONS.replace(b"K1,", b"Kittiwake,").replace(b"nurse,", b"nurse,Plover")
    )
    sent: list[bytes] = []

    def sending(batches: Iterable[Any]) -> Iterator[tuple[Any, Computed]]:
        for batch in batches:
            sent.append(pickle.dumps(batch))
            yield batch, batch.frames

    run_load(home, [tmp_path], request_for(home), NOW, stages=Stages(ahead=sending))
    assert len(sent) >= 2
    assert any(b"clamp_trial" in batch for batch in sent)  # what decides does go
    for batch in sent:
        assert not any(word in batch for word in (b"Kittiwake", b"Puffin", b"Plover"))


def test_a_worker_with_another_version_is_refused() -> None:
    with pytest.raises(LedgerError, match="another version"):
        compute_there(dict, "0" * 64)


def test_workers_without_a_server_to_report_to_are_a_wrong_call(
    monkeypatch: pytest.MonkeyPatch, given: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DRAINLEDGER_DASK", "tcp://127.0.0.1:1")
    assert run(["--home", str(tmp_path / "ledger"), "load", str(given[0])]) == WRONG_CALL
    assert "PREFECT_API_URL" in capsys.readouterr().err


def test_a_batch_of_no_rows_is_a_wrong_call(
    monkeypatch: pytest.MonkeyPatch, given: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DRAINLEDGER_BATCH_MINUTES", "0")
    assert run(["--home", str(tmp_path / "ledger"), "load", str(given[0])]) == WRONG_CALL
    assert "DRAINLEDGER_BATCH_MINUTES" in capsys.readouterr().err
