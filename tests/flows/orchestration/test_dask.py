"""A load whose batches are computed by the workers of a real Dask scheduler, each a process of its own."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest

from flows.cli import WRONG_CALL, run
from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE, Computed
from flows.loading.load import Stages, run_load
from flows.loading.request import request_for
from flows.orchestration.prefect_dask import compute_there, unpacked
from pipeline.provenance import code_digest
from pipeline.store import Home
from schemas.errors import LedgerError
from schemas.lake import COURSE
from tests.laws.conftest import ANNOTATIONS, REGISTRY, v1, write_small
from tests.support.homes import NOW, differences, load, make_home, published
from tests.support.prefect_server import ROOT, Server, prefect_server

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


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory, prefect_records: Path) -> Iterator[Server]:
    """A Prefect server, and a Dask scheduler with two workers; each a process of its own, ended here."""
    folder = tmp_path_factory.mktemp("dask")
    found = folder / "scheduler.json"
    with (
        prefect_server(tmp_path_factory.mktemp("server"), prefect_records) as server,
        ExitStack() as begun,
    ):
        server.environment.update(
            DO_NOT_TRACK="1", PREFECT_LOGGING_TO_API_ENABLED="false", POLARS_MAX_THREADS="1"
        )
        at = ["--scheduler-file", str(found), "--no-dashboard"]
        begun.enter_context(_process(server, "scheduler", "--host", "127.0.0.1", "--port", "0", *at))
        for _ in range(WORKERS):
            begun.enter_context(_process(server, "worker", "--nthreads", "1", "--no-nanny", *at))
        server.environment.update(
            DRAINLEDGER_DASK=_address(found),
            DRAINLEDGER_BATCH_MINUTES="300",  # a batch a device, or nearly
        )
        yield server


@contextmanager
def _process(server: Server, kind: str, *options: str) -> Iterator[None]:
    process = subprocess.Popen(
        [sys.executable, "-m", "dask", kind, *options],
        cwd=server.calls.parent,  # elsewhere than the one who asks for a load
        env=server.environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
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


def loaded(server: Server, home: Home, given: list[Path], *options: str) -> dict[str, Any]:
    """The files loaded by the workers; what came of it."""
    here = os.path.relpath(home.root, ROOT)
    done = server.told(["-m", "tests.support.dask_load", here, *map(str, given), *options], 300)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def test_workers_make_the_same_ledger_as_a_local_load(
    cluster: Server, tmp_path: Path, given: list[Path], local: Home
) -> None:
    home = make_home(tmp_path / "ledger")
    told = loaded(cluster, home, given)
    assert told["loaded"] == [4, 4, True]
    assert sum(told["tasks"]) >= 4 + 2  # a batch a device, and some of drains
    assert len(told["tasks"]) == WORKERS
    assert differences(published(home), published(local)) == []
    for table in (*DEVICE_TABLES, *DRAIN_STAGE):
        ours, theirs = (h.lake.scan(table).collect().sort(table.key) for h in (home, local))
        assert ours.equals(theirs), table.name


def test_a_worker_killed_over_its_batch_costs_nothing_but_time(
    cluster: Server, tmp_path: Path, given: list[Path], local: Home
) -> None:
    home = make_home(tmp_path / "ledger")
    told = loaded(cluster, home, given, "--kill")
    assert (told["killed"], told["left"]) == (1, WORKERS - 1)
    assert differences(published(home), published(local)) == []


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


def test_what_a_worker_packs_comes_back_as_it_was(local: Home) -> None:
    computed = {table.name: local.lake.scan(table).collect() for table in (*DEVICE_TABLES, *DRAIN_STAGE)}
    computed["nothing"] = COURSE.empty()
    returned = unpacked(compute_there(lambda: computed, code_digest()))
    assert list(returned) == list(computed)
    for name, frame in computed.items():
        assert returned[name].schema == frame.schema
        assert returned[name].equals(frame), name


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
