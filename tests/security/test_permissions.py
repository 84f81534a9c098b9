"""What a home holds is its owner's alone, whatever the shell's umask, and a home that is not so is told of."""

from __future__ import annotations

import os
import shlex
import stat
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from flows.cli import DONE, run
from pipeline.store import Home
from pipeline.store.permissions import loose
from tests.security.conftest import Hostile
from tests.support.homes import load


def _open(root: Path) -> list[str]:
    """Everything below (and the folder) that group or others may touch in any way."""
    every = [root, *root.rglob("*")]
    return [
        f"{stat.filemode(p.lstat().st_mode)} {p.relative_to(root)}"
        for p in every
        if p.lstat().st_mode & 0o077
    ]


def test_a_load_with_an_umask_of_nothing_leaves_only_the_database_readable(hostile: Hostile) -> None:
    assert _open(hostile.home.root) == ["-r--r--r-- drainledger.duckdb"]
    assert list(loose(hostile.home)) == []


def test_a_load_that_was_not_called_from_the_command_line_neither(tmp_path: Path, hostile: Hostile) -> None:
    # A scheduler calls the function itself, with an umask of its own, and on a folder made by hand.
    before = os.umask(0)
    try:
        (tmp_path / "home").mkdir(mode=0o777)
        load(Home(tmp_path / "home"), [hostile.landing / "1.csv", hostile.landing / "notes.csv"])
        assert os.umask(0) == 0
    finally:
        os.umask(before)
    assert _open(tmp_path / "home") == ["drwxrwxrwx .", "-r--r--r-- drainledger.duckdb"]
    assert [one.what for one in loose(Home(tmp_path / "home"))] == [
        "others may write and list it, and read drainledger.duckdb in it (mode 0777)"
    ]


def test_what_leaves_a_home_is_its_owners_alone_too(hostile: Hostile, tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        home = ["--home", str(hostile.home.root)]
        assert run([*home, "sql", "FROM drain", "-o", str(tmp_path / "drains.csv")]) == DONE
    finally:
        os.umask(before)
    assert _open(tmp_path)[1:] == []


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory, hostile: Hostile) -> Home:
    """A home that is closed; each test that opens it closes it again."""
    home = Home(tmp_path_factory.mktemp("closed") / "home")
    load(home, [hostile.landing / "1.csv"])
    return home


SECRETS = "holds keys, names and rejected values, and others may reach it"
TABLES = "is what everything is computed from, and others may write it"


@pytest.mark.parametrize(
    ("name", "mode", "said"),
    [
        ("private", 0o750, f"private {SECRETS} (mode 0750)"),
        ("raw", 0o755, "raw holds the raw logs, and others may reach it (mode 0755)"),
        ("lake/minute", 0o775, f"lake/minute {TABLES} (mode 0775)"),
        (".", 0o777, "others may write and list it, and read drainledger.duckdb in it (mode 0777)"),
        (".", 0o755, "others may list it, and read drainledger.duckdb in it (mode 0755)"),
        (".", 0o740, "others may list it (mode 0740)"),
        ("drainledger.duckdb", 0o666, "drainledger.duckdb others may write it (mode 0666)"),
    ],
)
def test_a_looser_home_is_told_of_with_the_cure(
    name: str, mode: int, said: str, closed: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    (closed.root / name).chmod(mode)
    assert run(["--home", str(closed.root), "status"]) == DONE
    printed = capsys.readouterr().out
    assert said in printed
    cure = next(line.rpartition("; ")[2] for line in printed.splitlines() if line.startswith("  open "))
    subprocess.run(shlex.split(cure), check=True)
    assert list(loose(closed)) == []


@pytest.mark.parametrize(
    ("folder", "mode", "told"), [(0o700, 0o644, 0), (0o711, 0o644, 1), (0o700, 0o666, 1)]
)
def test_what_runs_at_night_is_told_of_where_others_may_reach_it(
    folder: int, mode: int, told: int, closed: Home
) -> None:
    night = closed.root / "nightly.toml"
    night.write_text('landing = "in"\n')
    night.chmod(mode)
    closed.root.chmod(folder)
    found = list(loose(closed))
    assert [one.path for one in found] == [night] * told
    for one in found:
        subprocess.run(shlex.split(one.cure), check=True)
    assert list(loose(closed)) == []
    night.unlink()
    closed.root.chmod(0o700)


def test_a_lake_may_be_opened_for_reading(closed: Home) -> None:
    closed.root.chmod(0o711)
    for path in [closed.root / "lake", *(closed.root / "lake").rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    assert list(loose(closed)) == []


def test_a_link_in_the_private_store_is_told_of(closed: Home, tmp_path: Path) -> None:
    secret, elsewhere = closed.private / "secret", tmp_path / "elsewhere"
    elsewhere.write_bytes(secret.read_bytes())
    secret.unlink()
    secret.symlink_to(elsewhere)
    assert [(one.path.name, one.what) for one in loose(closed)] == [("secret", "is a link to elsewhere")]


def test_of_many_who_make_the_secret_at_once_one_wins_and_all_use_it(tmp_path: Path) -> None:
    for attempt in range(20):
        home = Home(tmp_path / str(attempt))
        home.create()
        with ThreadPoolExecutor(8) as many:
            keys = set(many.map(lambda _, home=home: home.secret(), range(8)))
        assert len(keys) == 1
        assert [path.name for path in home.private.iterdir()] == ["secret"]
        assert (home.private / "secret").stat().st_nlink == 1


def test_a_secret_that_was_laid_there_as_a_link_is_not_written_through(tmp_path: Path) -> None:
    home = Home(tmp_path / "home")
    home.create()
    target = tmp_path / "target"
    (home.private / "secret").symlink_to(target)
    with pytest.raises(OSError, match="secret"):
        home.secret()
    assert not target.exists()
