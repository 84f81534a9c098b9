"""Nights that stop being served leave no server behind, however early and however rudely they are stopped."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from pipeline.store import Home
from tests.support.homes import make_home

ROOT = Path(__file__).parents[3]

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="processes are looked up in /proc")


def wait_until(question: Callable[[], object], seconds: float = 60) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if question():
            return True
        time.sleep(0.02)
    return False


def children(process: int) -> list[int]:
    """Processes whose parent that is."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parent = int(stat.read_text().rpartition(")")[2].split()[1])
        except OSError:  # gone meanwhile
            continue
        if parent == process:
            found.append(int(stat.parent.name))
    return found


def runs(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def is_server(process: int) -> bool:
    try:
        command = Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return False
    return b"\0prefect\0server\0start\0" in command


def serve(home: Home, room: Path) -> subprocess.Popen[str]:
    """`drainledger serve` with a server of its own."""
    (room / "landing").mkdir()
    calm = {k: v for k, v in os.environ.items() if not k.startswith(("PREFECT_", "DRAINLEDGER_"))}
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "flows.cli", "serve"),
            *("--landing", str(room / "landing"), "--home", str(home.root)),
        ],
        cwd=room,
        env=calm | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_the_pages_of_a_server_on_another_port_ask_that_server(tmp_path: Path, prefect_records: Path) -> None:
    home = make_home(tmp_path / "ledger")
    shutil.copytree(prefect_records, home.private / "prefect")
    with socket.socket() as usual:
        with suppress(OSError):  # taken already: as well
            usual.bind(("127.0.0.1", 4200))
        serving = serve(home, tmp_path)
        try:
            assert serving.stdout is not None
            told = re.search(r"shown at (http://127\.0\.0\.1:(\d+))\.", serving.stdout.readline())
            assert told is not None
            assert told[2] != "4200"
            with urllib.request.urlopen(f"{told[1]}/ui-settings", timeout=30) as answer:
                assert json.load(answer)["api_url"] == f"{told[1]}/api"
        finally:
            serving.terminate()
            serving.communicate(timeout=60)
    assert serving.returncode == 0


@pytest.mark.parametrize(
    "number", [signal.SIGTERM, pytest.param(signal.SIGINT, marks=pytest.mark.long), signal.SIGKILL]
)
def test_a_server_that_is_still_starting_ends_with_us(number: signal.Signals, tmp_path: Path) -> None:
    serving = serve(make_home(tmp_path / "ledger"), tmp_path)
    try:
        started: list[int] = []
        assert wait_until(lambda: started.extend(filter(is_server, children(serving.pid))) or started)
        serving.send_signal(number)
        said = serving.communicate(timeout=60)[1]
        # Killed outright before the server asked to be told of our end, it looks for us once and ends too.
        assert wait_until(lambda: not any(map(runs, started)), 20)
    finally:
        serving.kill()
        for process in started:
            if runs(process) and is_server(process):
                os.kill(process, signal.SIGKILL)
    if number != signal.SIGKILL:
        assert serving.returncode == 0
        assert "serve: stopped before the schedule was kept" in said
