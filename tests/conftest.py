"""Fixtures shared by all tests: homes with a known key, and the folder of sample logs."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

from flows.demo import sample_folders
from pipeline.store import Home
from tests.support.homes import make_home

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


@pytest.fixture
def new_home(tmp_path: Path) -> Callable[[], Home]:
    """Makes as many empty homes as asked for, all with the same key."""
    made: list[Home] = []

    def make() -> Home:
        made.append(make_home(tmp_path / f"home-{len(made)}"))
        return made[-1]

    return make
