"""Nights that stop being served leave no server behind, however early and however rudely they are stopped."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support.homes import make_home

ROOT = Path(__file__).parents[2]

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


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGKILL])
def test_a_server_that_is_still_starting_ends_with_us(number: signal.Signals, tmp_path: Path) -> None:
    (tmp_path / "landing").mkdir()
    home = make_home(tmp_path / "ledger")
    calm = {k: v for k, v in os.environ.items() if not k.startswith(("PREFECT_", "DRAINLEDGER_"))}
    command = ["serve", "--landing", str(tmp_path / "landing"), "--home", str(home.root)]
    serving = subprocess.Popen(
        [sys.executable, "-m", "flows.cli", *command],
        cwd=tmp_path,
        env=calm | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
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
