"""A small loaded ledger for each test, made once and put back at its place: what is published names its folder."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from pipeline.store import Home
from tests.faults.kills import FILES
from tests.support.homes import load, make_home

FIRST = ("a first.csv", "b.csv", "d unlinked.csv", "registry.csv")


@pytest.fixture(scope="package")
def given(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all the files."""
    folder = tmp_path_factory.mktemp("given")
    for name, data in FILES.items():
        (folder / name).write_bytes(data)
    return folder


@pytest.fixture(scope="package")
def pristine(tmp_path_factory: pytest.TempPathFactory, given: Path) -> tuple[Path, Path]:
    """The place of the ledger, and a copy of it as it was loaded."""
    place = tmp_path_factory.mktemp("ledger")
    before = os.umask(0o077)
    try:
        load(make_home(place / "home"), [given / name for name in FIRST])
        shutil.copytree(place / "home", place / "copy")
    finally:
        os.umask(before)
    return place / "home", place / "copy"


@pytest.fixture
def home(pristine: tuple[Path, Path]) -> Home:
    """The ledger as it was loaded."""
    root, copy = pristine
    for folder in (root, *root.parent.glob("home*")):
        shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(copy, root)
    return Home(root)
