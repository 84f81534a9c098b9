"""
Nights on a self-hosted Prefect server, started here with records of its own: served, deployed, seen, told apart.

The names planted in files, folders and keys must be in none of the server's records, and no process may call out.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from flows.looking.status import ledger_status
from flows.nights.logs import FILE, FOLDER
from flows.nights.night_settings import NightSettings
from flows.nights.serving import serve_nights
from pipeline.store import Home
from schemas.errors import LedgerError
from tests.support.homes import make_home
from tests.support.nights import NIGHT, export, put, registry
from tests.support.prefect_server import ROOT, Server, prefect_server, wait_for
from tests.support.quiet_network import RECORD

PLANTED = ("Ada_Example", "Heron", "P-4711", "D-0815")


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory, prefect_records: Path) -> Iterator[Server]:
    with prefect_server(tmp_path_factory.mktemp("server"), prefect_records) as server:
        yield server


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose every name could be somebody's: the home in it, and what lies in its landing folder."""
    folder = tmp_path_factory.mktemp("Heron_ward")
    put(folder / "Ada_Example in", "Ada_Example.csv", export())
    put(folder / "Ada_Example in", "Heron registry.csv", registry("D-0815", "P-4711"))
    put(folder / "Ada_Example in", "Heron odd.csv", "P-4711;nothing that we know\n")
    put(folder / "Ada_Example in", "Ada_Example.csv.part", export())
    return folder


@dataclass(frozen=True)
class Served:
    """A home whose nights are served."""

    home: Home
    deployment: dict[str, Any]
    process: subprocess.Popen[str]
    said: str


@pytest.fixture(scope="module")
def served(server: Server, ward: Path) -> Iterator[Served]:
    home = make_home(ward / "ledger")
    command = [
        sys.executable,
        "-m",
        "flows.cli",
        "serve",
        "--cron",
        "30 4 * * *",
        "--timezone",
        "Europe/Zurich",
    ]
    process = subprocess.Popen(
        [*command, "--landing", str(ward / "Ada_Example in"), "--settle", "0", "--home", str(home.root)],
        env=server.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        name = said.split("nightly/")[1].split(":")[0]
        yield Served(home, server.ask(f"/deployments/name/nightly/{name}"), process, said)
    finally:
        process.kill()


def test_the_schedule_is_kept_and_takes_one_run_at_a_time(server: Server, served: Served) -> None:
    deployment = served.deployment
    assert [s["schedule"]["cron"] for s in deployment["schedules"]] == ["30 4 * * *"]
    assert [s["schedule"]["timezone"] for s in deployment["schedules"]] == ["Europe/Zurich"]
    assert deployment["global_concurrency_limit"]["limit"] == 1
    assert deployment["concurrency_options"]["collision_strategy"] == "CANCEL_NEW"
    assert deployment["parameters"] == {}
    assert "30 4 * * * (Europe/Zurich)" in served.said


def test_status_says_when_the_next_run_is(served: Served) -> None:
    schedule = ledger_status(served.home, NIGHT).schedule
    assert schedule is not None
    assert (schedule["process"], schedule["cron"]) == (served.process.pid, "30 4 * * *")
    assert schedule["next"].isoformat() == "2031-06-02T02:30:00+00:00"


def test_a_served_run_loads_and_says_how_it_went(server: Server, served: Served) -> None:
    run = server.run_of(served.deployment["id"])
    assert run["state"]["name"] == "Done, some input rejected"
    assert "3 new files (1 rejected), 0 known, 1 left for the next run" in run["state"]["message"]
    artifacts = server.ask("/artifacts/filter", {"artifacts": {"flow_run_id": {"any_": [run["id"]]}}})
    told = {artifact["key"]: artifact["data"] for artifact in artifacts}
    assert "| new files | 3 |" in told["nightly-summary"]
    assert "| file: no_profile | 1 |" in told["nightly-summary"]
    assert "| has the name of an unfinished copy | 1 |" in told["nightly-summary"]
    assert "no_profile" not in told["nightly-files"]
    assert told["nightly-files"].count('"became"') == 3
    assert ledger_status(served.home, NIGHT).drains == 1


def test_a_home_is_served_once(served: Served, ward: Path) -> None:
    with pytest.raises(LedgerError, match=rf"served already \(process {served.process.pid}\)"):
        serve_nights(served.home, NightSettings(landing=ward), {})


def night(server: Server, home: Home, landing: Path, **asked: Any) -> dict[str, Any]:
    """One night as a flow on the server, in a process of its own; what came of it."""
    settings = {"landing": str(landing), "settle_minutes": 0, "retry_seconds": [0.01, 0.02]}
    settings |= asked.pop("settings", {})
    words = json.dumps({"home": str(home.root), "settings": settings, **asked})
    done = server.told(["-m", "tests.support.night_apart", words])
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def last_night(server: Server, task: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The night that ended last, and its task of that name; the server is told a little later than we are."""
    ended = {"state": {"type": {"any_": ["COMPLETED", "FAILED"]}}}
    run = server.ask("/flow_runs/filter", {"flow_runs": ended, "sort": "END_TIME_DESC", "limit": 1})[0]
    tasks = server.ask("/task_runs/filter", {"flow_runs": {"id": {"any_": [run["id"]]}}})
    return run, next((made for made in tasks if made["name"].startswith(task)), {})


def test_a_drive_that_hiccups_is_asked_again_and_the_night_goes_on(
    server: Server, ward: Path, tmp_path: Path
) -> None:
    home = make_home(tmp_path / "ledger")
    at = str(ward / "Ada_Example.csv")
    assert night(server, home, ward / "Ada_Example in", faults=["EIO", "EIO"], at=at) == {"new": 3}
    run, task = wait_for(
        lambda: (found := last_night(server, "take in"))[1].get("state_type") == "COMPLETED" and found, 30
    )
    assert (run["state"]["type"], task["run_count"]) == ("COMPLETED", 3)
    retried = [json.loads(line) for line in (home.root / FOLDER / FILE).read_text().splitlines()]
    assert [e["error"] for e in retried if e["event"] == "retried"] == ["OSError EIO"] * 2


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        ("Ada_Example.csv: bad", "Ada_Example.csv: bad"),
        pytest.param("ENOSPC", "the disk is full", marks=pytest.mark.long),
    ],
)
def test_what_waiting_cannot_mend_is_not_tried_again_and_told_without_names(
    server: Server, ward: Path, tmp_path: Path, fault: str, told: str
) -> None:
    home = make_home(tmp_path / "ledger")
    came = night(server, home, ward / "Ada_Example in", faults=[fault] * 9, at="/Heron/Ada_Example")
    assert "DrainledgerError" in came["raised"]
    assert told in came["said"]  # whoever called is told all
    assert told in ledger_status(home, NIGHT).runs[0].said  # and so is status
    run, task = wait_for(
        lambda: (found := last_night(server, "take in"))[1].get("state_type") == "FAILED" and found, 30
    )
    assert (run["state"]["type"], task["run_count"]) == ("FAILED", 1)
    assert "Error" in run["state"]["message"]


def test_a_home_that_is_taken_fails_the_run_politely(server: Server, ward: Path, tmp_path: Path) -> None:
    home = make_home(tmp_path / "ledger")
    came = night(server, home, ward / "Ada_Example in", locked=True)
    assert "LedgerError" in came["raised"]
    assert "another load is running here" in came["said"]
    assert "another load is running" in ledger_status(home, NIGHT).runs[0].said


def test_a_step_that_takes_too_long_is_stopped_and_the_next_night_is_whole(
    server: Server, ward: Path, tmp_path: Path
) -> None:
    home = make_home(tmp_path / "ledger")
    hasty = {"timeout_minutes": 0.02, "retry_seconds": [0.01]}
    came = night(server, home, ward / "Ada_Example in", faults=[60], settings=hasty)
    assert "TimeoutError" in came["raised"]
    assert night(server, home, ward / "Ada_Example in", settings={"timeout_minutes": 10}) == {"new": 3}


def test_nobody_outside_is_called_to_serve_nights(server: Server, served: Served) -> None:
    assert not server.calls.exists(), server.calls.read_text()
    assert "TELEMETRY_SESSION" not in server.dump()


def test_the_guard_would_have_noticed(server: Server, tmp_path: Path) -> None:
    called = tmp_path / "calls.txt"
    subprocess.run(
        [sys.executable, "-c", "import socket; socket.create_connection(('192.0.2.1', 80), 1)"],
        env=server.environment | {RECORD: str(called)},
        stderr=subprocess.DEVNULL,
    )
    assert "192.0.2.1" in called.read_text()


def test_the_server_keeps_no_name_path_or_key(server: Server, served: Served) -> None:
    wait_for(lambda: "nightly-summary" in server.dump())
    dump = server.dump()
    assert [word for word in (*PLANTED, str(served.home.root)) if word in dump] == []


def test_stopping_leaves_the_schedule_paused_and_nothing_behind(server: Server, served: Served) -> None:
    served.process.send_signal(signal.SIGTERM)
    assert served.process.wait(60) == 0
    assert server.ask(f"/deployments/{served.deployment['id']}")["paused"] is True
    assert ledger_status(served.home, NIGHT).schedule is None


@pytest.mark.long
def test_the_deployment_file_works_with_a_worker(server: Server, ward: Path, tmp_path: Path) -> None:
    home = make_home(tmp_path / "ledger")
    (home.root / "nightly.toml").write_text(f'landing = "{ward / "Ada_Example in"}"\nsettle_minutes = 0\n')
    prefect = [sys.executable, "-m", "prefect", "--no-prompt"]

    def call(*words: str) -> str:
        done = subprocess.run(
            [*prefect, *words],
            cwd=ROOT,
            env=server.environment | {"DRAINLEDGER_HOME": str(home.root), "DO_NOT_TRACK": "1"},
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    server.ask("/work_pools/", {"name": "drainledger", "type": "process"})
    call("deploy", "--name", "nightly")
    deployed = server.ask("/deployments/name/nightly/nightly")
    assert deployed["concurrency_options"]["collision_strategy"] == "CANCEL_NEW"
    server.ask(f"/deployments/{deployed['id']}/create_flow_run", {})
    call("worker", "start", "--pool", "drainledger", "--type", "process", "--run-once")
    assert ledger_status(home, NIGHT).drains == 1
    # For a worker the server asks once what kinds of worker there are; it does without an answer.
    asked = server.calls.read_text().split() if server.calls.exists() else []
    assert set(asked) <= {"socket.getaddrinfo", "raw.githubusercontent.com"}
