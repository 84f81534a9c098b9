"""How long a load of the small folder takes into a folder and into a bucket: `python -m tests.store.measure_bucket`."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from pipeline.store import Home
from tests.laws.conftest import write_small
from tests.store.conftest import ROOT, Server, address_it, begin
from tests.support.homes import load, make_home


def main() -> None:
    """Print both."""
    command = [sys.executable, "-m", "tests.support.s3_server"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        assert process.stdout is not None
        server = Server(int(process.stdout.readline()))
        server.files.create_dir("wards")
        with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as monkeypatch:
            address_it(server, monkeypatch)
            files = write_small(Path(folder) / "landing")
            load(make_home(Path(folder) / "warm"), files)  # imports and caches are paid for by neither
            homes = {
                "disk": make_home(Path(folder) / "disk"),
                "bucket": begin(Path(folder) / "bucket", "measured"),
            }
            for name, home in homes.items():
                print(f"{name:8}{_seconds(home, files):6.1f} s")
        process.kill()


def _seconds(home: Home, files: list[Path]) -> float:
    began = time.perf_counter()
    load(home, files)
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
