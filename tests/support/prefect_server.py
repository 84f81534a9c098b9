"""
A self-hosted Prefect server of the tests' own, and flows run against it in processes of their own.

No test runs a flow in its own process: what Prefect keeps of a run (threads that deliver events and logs,
a loop on the main thread) outlives the test, and waits at the next one for servers that are gone.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.support.quiet_network import RECORD, SITE

ROOT = Path(__file__).parents[2]
_ENDED = {"COMPLETED", "FAILED", "CRASHED", "CANCELLED"}


@dataclass(frozen=True)
class Server:
    """A running server: its API, its records, and the environment of processes that report to it."""

    address: str
    records: Path
    calls: Path
    environment: dict[str, str]

    def ask(self, path: str, body: dict[str, Any] | None = None) -> Any:
        """One question to its API."""
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self.address}{path}", data, {"Content-Type": "application/json"})
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)

    def run_of(self, deployment: str) -> dict[str, Any]:
        """Have a deployment run once, and wait for the end."""
        made = self.ask(f"/deployments/{deployment}/create_flow_run", {})
        return wait_for(
            lambda: (run := self.ask(f"/flow_runs/{made['id']}"))["state"]["type"] in _ENDED and run
        )

    def dump(self) -> str:
        """Everything it keeps, as text."""
        with closing(sqlite3.connect(self.records)) as records:
            return "\n".join(records.iterdump())

    def told(self, words: list[str], seconds: float = 120) -> subprocess.CompletedProcess[str]:
        """Run Python with these arguments in a process that reports to this server; stopped if it hangs."""
        return subprocess.run(
            [sys.executable, *words],
            cwd=ROOT,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=seconds,
        )


def wait_for(question: Callable[[], Any], seconds: float = 120) -> Any:
    """The first answer that is true; a server that does not answer yet is asked again."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            if answer := question():
                return answer
        except OSError:
            pass
        time.sleep(0.2)
    raise AssertionError("waited too long")


def empty_records(folder: Path) -> None:
    """Write the empty records of a server, `prefect.db`: to make them takes longer than to start one."""
    home = {"PREFECT_HOME": str(folder), "PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}
    subprocess.run(
        [sys.executable, "-m", "prefect", "server", "database", "upgrade", "--yes"],
        env=_calm() | home,
        check=True,
        capture_output=True,
    )


@contextmanager
def prefect_server(folder: Path, records: Path) -> Iterator[Server]:
    """
    Start a server that keeps its records in the folder, calls nobody outside, and ends with the block.

    It begins with a copy of `records`, what `empty_records` wrote.
    """
    (folder / "site").mkdir()
    (folder / "prefect").mkdir()
    shutil.copy(records / "prefect.db", folder / "prefect")
    (folder / "site" / "sitecustomize.py").write_text(SITE)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = _calm() | {
        "PYTHONPATH": f"{folder / 'site'}:{ROOT}",
        RECORD: str(folder / "calls.txt"),
        "PREFECT_HOME": str(folder / "prefect"),
        "PREFECT_API_URL": f"http://127.0.0.1:{port}/api",
        "PREFECT_RUNNER_POLL_FREQUENCY": "1",
        "PREFECT_WORKER_QUERY_SECONDS": "1",
        # Not said here: drainledger itself switches off what Prefect would send to its makers.
    }
    quiet = environment | {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}
    quiet["PREFECT_SERVER_UI_ENABLED"] = "false"  # nobody looks at its pages
    process = subprocess.Popen(
        [sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)],
        env=quiet,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    made = Server(
        environment["PREFECT_API_URL"], folder / "prefect" / "prefect.db", folder / "calls.txt", environment
    )
    try:
        wait_for(lambda: made.ask("/health"))
        yield made
    finally:
        process.terminate()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(30)


def _calm() -> dict[str, str]:
    """The environment without what a developer's shell says of Prefect or of a home."""
    return {n: v for n, v in os.environ.items() if not n.startswith(("PREFECT_", "DRAINLEDGER_"))}
