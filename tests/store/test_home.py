from __future__ import annotations

import multiprocessing
import os
import signal
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from pipeline.store import Home
from schemas.errors import LedgerError


def _hold(root: str, told: Connection) -> None:
    with Home(Path(root)).locked():
        told.send("held")
        told.recv()


def test_two_loads_cannot_hold_one_home(tmp_path: Path) -> None:
    ours, theirs = multiprocessing.Pipe()
    holder = multiprocessing.get_context("spawn").Process(target=_hold, args=(str(tmp_path), theirs))
    holder.start()
    assert ours.recv() == "held"
    home = Home(tmp_path)
    assert home.load_in_progress()
    with (
        pytest.raises(LedgerError, match=rf"another load is running here \(process {holder.pid}\)"),
        home.locked(),
    ):
        pass
    ours.send("go")
    holder.join()
    assert not home.load_in_progress()


def test_readers_do_not_exclude_one_another_but_a_load(tmp_path: Path) -> None:
    home = Home(tmp_path)
    with home.reading(), home.reading():
        assert not home.load_in_progress()
        with pytest.raises(LedgerError, match="is reading here; wait for it to end"), home.locked():
            pass
    with home.locked(), pytest.raises(LedgerError, match="a load is running here"), home.reading():
        pass


def test_a_killed_process_does_not_hold_the_home(tmp_path: Path) -> None:
    ours, theirs = multiprocessing.Pipe()
    holder = multiprocessing.get_context("spawn").Process(target=_hold, args=(str(tmp_path), theirs))
    holder.start()
    assert ours.recv() == "held"
    assert holder.pid is not None
    os.kill(holder.pid, signal.SIGKILL)
    holder.join()
    with Home(tmp_path).locked():
        assert Home(tmp_path).load_in_progress()


def test_the_secret_is_made_once_and_is_its_owners_alone(tmp_path: Path) -> None:
    home = Home(tmp_path / "ledger")
    home.create()
    first = home.secret()
    assert len(first) == 32
    assert home.secret() == first
    assert (home.private / "secret").stat().st_mode & 0o777 == 0o600
    assert home.private.stat().st_mode & 0o777 == 0o700


def test_two_homes_have_two_secrets(tmp_path: Path) -> None:
    homes = [Home(tmp_path / name) for name in ("one", "two")]
    for home in homes:
        home.create()
    assert homes[0].secret() != homes[1].secret()


def test_a_damaged_secret_is_not_replaced_in_silence(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.create()
    (home.private / "secret").write_text("not a key")
    with pytest.raises(LedgerError, match="restore it from a backup"):
        home.secret()


def test_a_lost_secret_beside_a_published_database_is_said(tmp_path: Path) -> None:
    home = Home(tmp_path)
    home.create()
    home.database.touch()
    with pytest.raises(LedgerError, match="the key of the pseudonyms is gone"):
        home.secret()


def test_a_home_that_is_a_file_is_one_clear_sentence(tmp_path: Path) -> None:
    (tmp_path / "ledger").write_text("")
    with pytest.raises(LedgerError, match=r"cannot be written .* choose another with --home"):
        Home(tmp_path / "ledger").create()


@pytest.mark.parametrize("name", ["a [b]", "50%", "what?", "{x}", "back\\slash", "a*"])
def test_a_path_that_a_lake_cannot_bear_is_refused_before_anything_is_written(
    tmp_path: Path, name: str
) -> None:
    with pytest.raises(LedgerError, match="which a lake cannot bear; choose another with --home"):
        Home(tmp_path / name).create()
    assert list(tmp_path.iterdir()) == []
