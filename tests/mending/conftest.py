"""One loaded ward for the session; each test works on a copy of its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.store import Home
from tests.mending.ward import write_ward
from tests.support.homes import load, make_home


@pytest.fixture(scope="session")
def ward_files(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The files of the ward."""
    return write_ward(tmp_path_factory.mktemp("ward") / "landing")


@pytest.fixture(scope="session")
def loaded_ward(tmp_path_factory: pytest.TempPathFactory, ward_files: list[Path]) -> Home:
    """A home with the ward's files; never changed."""
    home = make_home(tmp_path_factory.mktemp("loaded") / "home")
    load(home, ward_files)
    return home


@pytest.fixture
def ward(loaded_ward: Home, tmp_path: Path) -> Home:
    """A copy of the loaded ward."""
    shutil.copytree(loaded_ward.root, tmp_path / "home")
    return Home(tmp_path / "home")


@pytest.fixture
def another(loaded_ward: Home, tmp_path: Path) -> Callable[[], Home]:
    """Makes as many copies of the loaded ward as asked for."""
    made: list[Home] = []

    def make() -> Home:
        place = tmp_path / f"home-{len(made)}"
        shutil.copytree(loaded_ward.root, place)
        made.append(Home(place))
        return made[-1]

    return make
