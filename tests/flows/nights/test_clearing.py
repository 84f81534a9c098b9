"""Files leave the landing folder only where told so, only when the ledger holds them, and never over another."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from flows.nights.clearing import clear
from pipeline.store.seen import Fate, Sight, digest_at
from tests.support.nights import NIGHT, export, put


def seen(path: Path) -> Sight:
    found = path.lstat()
    return Sight(
        path, found.st_size, found.st_mtime_ns, found.st_ctime_ns, Fate.HELD, NIGHT, digest=digest_at(path)
    )


@pytest.fixture
def landing(tmp_path: Path) -> Path:
    folder = tmp_path / "landing"
    folder.mkdir()
    return folder


def test_a_moved_file_keeps_its_path_below_the_folder_and_its_bytes(landing: Path, tmp_path: Path) -> None:
    path = put(landing / "ward 3", "a.csv", export())
    cleared = clear(landing, [seen(path)], tmp_path / "done")
    assert cleared.gone == (path,)
    assert not path.exists()
    assert (tmp_path / "done" / "ward 3" / "a.csv").read_text() == export()


def test_a_file_of_that_name_is_never_overwritten(landing: Path, tmp_path: Path) -> None:
    other = put(tmp_path / "done", "a.csv", "something else\n")
    path = put(landing, "a.csv", export())
    clear(landing, [seen(path)], tmp_path / "done")
    assert other.read_text() == "something else\n"
    assert (tmp_path / "done" / "a.1.csv").read_text() == export()


def test_bytes_that_were_moved_before_are_not_moved_twice(landing: Path, tmp_path: Path) -> None:
    """As after a run that was killed between the copy and taking the first away."""
    put(tmp_path / "done", "a.csv", export())
    path = put(landing, "a.csv", export())
    assert clear(landing, [seen(path)], tmp_path / "done").gone == (path,)
    assert [path.name for path in (tmp_path / "done").iterdir()] == ["a.csv"]


def test_a_file_that_changed_since_it_was_loaded_stays(landing: Path, tmp_path: Path) -> None:
    path = put(landing, "a.csv", export())
    sight = seen(path)
    path.write_text(export(minutes=4))
    for done in (None, tmp_path / "done"):
        assert clear(landing, [sight], done).stayed == ((path, "still_changing"),)
    assert path.read_text() == export(minutes=4)


def test_other_bytes_under_unchanged_size_and_times_are_not_deleted(landing: Path) -> None:
    path = put(landing, "a.csv", export())
    sight = Sight(**{**seen(path).__dict__, "digest": "0" * 64})
    assert clear(landing, [sight], None).stayed == ((path, "still_changing"),)
    assert path.exists()


def test_deleting_takes_away_just_the_file(landing: Path) -> None:
    path, other = put(landing, "a.csv", export()), put(landing, "b.csv", export())
    assert clear(landing, [seen(path)], None).gone == (path,)
    assert other.exists()


def other_drive(monkeypatch: pytest.MonkeyPatch, landing: Path) -> None:
    replace = Path.replace

    def refusing(self: Path, target: Path) -> Path:
        if landing in self.parents:
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", refusing)


def test_a_move_to_another_drive_is_whole(
    landing: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other_drive(monkeypatch, landing)
    path = put(landing, "a.csv", export())
    assert clear(landing, [seen(path)], tmp_path / "done").gone == (path,)
    assert (tmp_path / "done" / "a.csv").read_text() == export()
    assert [path.name for path in (tmp_path / "done").iterdir()] == ["a.csv"]


def test_a_move_to_a_drive_that_is_full_leaves_nothing_behind_and_the_file_where_it_was(
    landing: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other_drive(monkeypatch, landing)

    def full(source: Path, target: Path, **options: object) -> None:
        Path(target).write_text(export()[:50])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("flows.nights.clearing.shutil.copy2", full)
    path = put(landing, "a.csv", export())
    assert clear(landing, [seen(path)], tmp_path / "done").stayed == ((path, "ENOSPC"),)
    assert path.read_text() == export()
    assert list((tmp_path / "done").iterdir()) == []


def test_one_that_cannot_go_does_not_hold_up_the_others(landing: Path, tmp_path: Path) -> None:
    gone, path = put(landing, "a.csv", export()), put(landing, "b.csv", export())
    sights = [seen(gone), seen(path)]
    gone.unlink()
    cleared = clear(landing, sights, tmp_path / "done")
    assert cleared.stayed == ((gone, "ENOENT"),)
    assert cleared.gone == (path,)
