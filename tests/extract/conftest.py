"""The small ward, loaded once, and its extract."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from flows.research.extract import run_extract
from pipeline.store import Home
from tests.extract.small_ward import COHORT, write_ward
from tests.support.homes import load, make_home


@pytest.fixture(scope="session")
def loaded_ward(tmp_path_factory: pytest.TempPathFactory) -> Home:
    """A home with the small ward; for reading only."""
    root = tmp_path_factory.mktemp("ward")
    home = make_home(root / "home")
    load(home, [write_ward(root / "exports")])
    return home


@pytest.fixture(scope="session")
def cohort_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cohort of everybody, with every table."""
    path = tmp_path_factory.mktemp("cohort") / "small.toml"
    path.write_text(COHORT, encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def extracted(loaded_ward: Home, cohort_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The extract's folder; for reading only."""
    out = tmp_path_factory.mktemp("extract") / "out"
    run_extract(loaded_ward, cohort_file, out)
    return out


@pytest.fixture
def copied_home(loaded_ward: Home, tmp_path: Path) -> Callable[[], Home]:
    """A copy of the loaded home to do things to."""

    def make() -> Home:
        root = tmp_path / "home"
        shutil.copytree(loaded_ward.root, root)
        return Home(root)

    return make
