"""Fixtures shared by all tests: homes with a known key, and the folder of sample logs."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path

import pytest
from hypothesis import settings

from flows.cli import DONE, run
from flows.demo import sample_folders
from pipeline.store import Home
from tests.support.homes import load, make_home
from tests.support.prefect_server import empty_records

# The same examples in every run: whether a change is good must not hang on chance. To look for new ones:
# HYPOTHESIS_PROFILE=explore make test
settings.register_profile("fixed", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("explore", deadline=None, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fixed"))


@pytest.fixture(autouse=True)
def _no_orchestrator(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the developer's shell says, tests run without a Prefect server and without a home of theirs."""
    for name in [n for n in os.environ if n.startswith(("PREFECT_", "DRAINLEDGER_"))]:
        monkeypatch.delenv(name)


@pytest.fixture(scope="session")
def samples() -> list[Path]:
    """The folders of invented exports that the project ships."""
    return sample_folders()


def _once(base: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """What `make` writes into a folder, made once for all processes that share the tests; only to be read."""
    ours = base.getbasetemp()
    everybodys = ours.parent if "PYTEST_XDIST_WORKER" in os.environ else ours
    folder, made = everybodys / name, everybodys / f"{name}.made"
    with (everybodys / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            make(folder)
            made.touch()
    return folder


@pytest.fixture(scope="session")
def loaded_samples(samples: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Home:
    """The sample logs as loaded; for tests that only ask."""

    def make(folder: Path) -> None:
        load(make_home(folder / "home"), samples)

    return Home(_once(tmp_path_factory, "loaded-samples", make) / "home")


@pytest.fixture(scope="session")
def demo_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """`home`: what `demo` makes, to be copied by whoever goes on from there; `printed.txt`: what it says."""

    def make(folder: Path) -> None:
        with (folder / "printed.txt").open("w", encoding="utf-8") as said, redirect_stdout(said):
            assert run(["--home", str(folder / "home"), "demo"]) == DONE

    return _once(tmp_path_factory, "demo-made", make)


@pytest.fixture(scope="session")
def prefect_records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The empty records of a Prefect server, to begin one with."""
    return _once(tmp_path_factory, "prefect-records", empty_records)


@pytest.fixture
def new_home(tmp_path: Path) -> Callable[[], Home]:
    """Makes as many empty homes as asked for, all with the same key."""
    made: list[Home] = []

    def make() -> Home:
        made.append(make_home(tmp_path / f"home-{len(made)}"))
        return made[-1]

    return make
