"""Fixtures shared by all tests: homes with a known key, and the folder of sample logs."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from tests_support import make_home

from flows.demo import sample_folders
from pipeline.store import Home


@pytest.fixture(autouse=True)
def _no_orchestrator(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the developer's shell says, tests run without a Prefect server and without a home of theirs."""
    for name in [n for n in os.environ if n.startswith(("PREFECT_", "DRAINLEDGER_"))]:
        monkeypatch.delenv(name)


@pytest.fixture(scope="session")
def samples() -> list[Path]:
    """The folders of invented exports that the project ships."""
    return sample_folders()


@pytest.fixture
def new_home(tmp_path: Path) -> Callable[[], Home]:
    """Makes as many empty homes as asked for, all with the same key."""
    made: list[Home] = []

    def make() -> Home:
        made.append(make_home(tmp_path / f"home-{len(made)}"))
        return made[-1]

    return make
