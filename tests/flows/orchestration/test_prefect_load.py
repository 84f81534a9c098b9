"""The load as a Prefect flow on a server: same ledger, an artifact, no file name in Prefect's records."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline.store import Home
from tests.support.homes import differences, load, make_home, published
from tests.support.nights import export
from tests.support.prefect_server import Server, prefect_server, wait_for

PRIVATE_NAME = "Grey_Heron.csv"


@dataclass(frozen=True)
class Loaded:
    """A home that was loaded by the command, as a flow on the server."""

    server: Server
    home: Home
    path: Path


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory, prefect_records: Path) -> Iterator[Loaded]:
    folder = tmp_path_factory.mktemp("Night_Jay")  # folders can be named after people too
    path = folder / PRIVATE_NAME
    path.write_text(export())
    home = make_home(folder / "ledger")
    with prefect_server(tmp_path_factory.mktemp("server"), prefect_records) as server:
        done = server.told(["-m", "flows.cli", "load", str(path), "--home", str(home.root), "--json"])
        assert done.returncode == 0, done.stderr
        told = json.loads(done.stdout)
        assert (told["devices_computed"], told["drains_summarised"], told["published"]) == (1, 1, True)
        yield Loaded(server, home, path)


def test_a_prefect_run_makes_the_same_ledger_as_a_plain_one(loaded: Loaded, tmp_path: Path) -> None:
    plain = make_home(tmp_path / "plain")
    load(plain, [loaded.path])
    assert differences(published(loaded.home), published(plain)) == []


def test_each_stage_was_a_task_and_prefect_keeps_an_artifact_with_the_counts(loaded: Loaded) -> None:
    server = loaded.server
    tasks = wait_for(lambda: len(made := server.ask("/task_runs/filter", {})) >= 4 and made)
    stages = {"take in files", "compute devices", "summarise drains", "publish"}
    assert {task["name"].rpartition("-")[0] for task in tasks} == stages
    (artifact,) = server.ask("/artifacts/filter", {})
    assert artifact["key"] == "load-summary"
    assert "| rows kept | 3 |" in artifact["data"]


def test_a_path_that_is_not_there_is_said_to_the_caller_alone(loaded: Loaded, tmp_path: Path) -> None:
    server, home, gone = loaded.server, loaded.home, tmp_path / "White_Stork.csv"
    called = server.told(["-m", "flows.cli", "load", str(gone), "--home", str(home.root)])
    assert called.returncode == 2
    assert "White_Stork.csv: no such file" in " ".join(called.stderr.split())
    # A flow that a deployment starts meets the path only while it runs.
    flow = (
        "from pydantic import SecretStr as S; from flows.orchestration.prefect_load import load; import sys; "
    )
    started = server.told(["-c", flow + "load(S(sys.argv[1]), [S(sys.argv[2])])", str(home.root), str(gone)])
    assert started.returncode == 1
    failed = {"flow_runs": {"state": {"type": {"any_": ["FAILED"]}}}}
    (run,) = wait_for(lambda: server.ask("/flow_runs/filter", failed))
    assert "CallError" in run["state"]["message"]
    assert "Stork" not in server.dump()


def test_no_file_name_reaches_prefects_records(loaded: Loaded) -> None:
    dump = loaded.server.dump()
    assert "load-summary" in dump
    assert [word for word in (PRIVATE_NAME, "Heron", "Jay") if word in dump] == []


def test_nobody_outside_is_called_to_load(loaded: Loaded) -> None:
    assert not loaded.server.calls.exists(), loaded.server.calls.read_text()
