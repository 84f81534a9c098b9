"""Which files of a landing folder are whole and new, and which are left for the next run."""

from __future__ import annotations

import gzip
import os
from datetime import timedelta
from pathlib import Path

import pytest

from flows.nights.landing import Look, Patience, look_into
from flows.nights.whole import ends_whole
from pipeline.store.seen import Fate, Sight, digest_at, note_sights, note_unread, read_sights
from schemas.errors import InputError
from tests.support.nights import NIGHT, aged, export, put, registry

YOUNG = timedelta(seconds=30)
AS_ROOT = os.geteuid() == 0


@pytest.fixture
def landing(tmp_path: Path) -> Path:
    folder = tmp_path / "landing"
    folder.mkdir()
    return folder


def look(landing: Path, sights: dict[Path, Sight] | None = None, **more: object) -> Look:
    options = {"profiles": "p1", "wait": lambda seconds: None, "not_below": ()} | more
    return look_into(landing, sights or {}, NIGHT, Patience(), **options)  # type: ignore[arg-type]


def names(sights: tuple[Sight, ...]) -> list[str]:
    return [sight.path.name for sight in sights]


def test_a_file_that_was_not_written_for_a_while_is_taken_without_waiting(landing: Path) -> None:
    put(landing, "a.csv", export())
    waited: list[float] = []
    found = look(landing, wait=waited.append)
    assert names(found.ready) == ["a.csv"]
    assert waited == []


def test_a_young_file_is_taken_when_two_looks_find_it_the_same_and_it_ends_as_a_whole_one(
    landing: Path,
) -> None:
    put(landing, "a.csv", export(), age=YOUNG)
    waited: list[float] = []
    assert names(look(landing, wait=waited.append).ready) == ["a.csv"]
    assert waited == [5.0]


def test_a_file_that_grows_between_the_looks_is_left(landing: Path) -> None:
    path = put(landing, "a.csv", export()[:200], age=YOUNG)

    def meanwhile(seconds: float) -> None:
        path.write_text(export()[:300])

    found = look(landing, wait=meanwhile)
    assert found.ready == ()
    assert found.reasons == {"still_changing": 1}


def test_a_file_rewritten_with_the_same_size_between_the_looks_is_left(landing: Path) -> None:
    path = put(landing, "a.csv", export("DV-0001"), age=YOUNG)
    assert look(landing, wait=lambda s: path.write_text(export("DV-0002")) and None).reasons == {
        "still_changing": 1
    }


def test_a_file_that_goes_away_between_the_looks_is_no_fault(landing: Path) -> None:
    path = put(landing, "a.csv", export(), age=YOUNG)
    assert look(landing, wait=lambda s: path.unlink()).reasons == {"gone": 1}


@pytest.mark.parametrize("keep", [200, len(export()) - len("# end: rows=3\n")])
def test_a_young_half_of_a_log_is_left_even_while_nobody_writes_it(landing: Path, keep: int) -> None:
    """The second half-copy ends between two lines: only the missing end line gives it away."""
    put(landing, "a.csv", export()[:keep], age=YOUNG)
    assert look(landing).reasons == {"not_whole_yet": 1}


def test_a_half_that_lies_still_for_long_enough_is_taken(landing: Path) -> None:
    put(landing, "a.csv", export()[:200])
    assert names(look(landing).ready) == ["a.csv"]


def test_a_half_with_a_date_in_the_future_is_taken_once_it_was_seen_for_long_enough(landing: Path) -> None:
    path = put(landing, "a.csv", export()[:200], age=-timedelta(days=400))
    first = look(landing)
    assert first.reasons == {"not_whole_yet": 1}
    seen = first.left[0]
    assert seen.since == NIGHT
    later = look_into(
        landing,
        {path: seen},
        NIGHT + timedelta(hours=24),
        Patience(),
        profiles="p1",
        wait=lambda seconds: None,
    )
    assert names(later.ready) == ["a.csv"]


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("a.csv.part", "unfinished_name"),
        ("a.csv.PART", "unfinished_name"),
        ("a.filepart", "unfinished_name"),
        ("a.csv.tmp", "unfinished_name"),
        ("a.csv.crdownload", "unfinished_name"),
        (".a.csv.Xq2f", "hidden_name"),
    ],
)
def test_names_of_unfinished_copies_are_left_however_old(landing: Path, name: str, why: str) -> None:
    put(landing, name, export())
    found = look(landing)
    assert found.ready == ()
    assert found.reasons == {why: 1}


@pytest.mark.parametrize(
    "name",
    [
        ".DS_Store",
        "Thumbs.db",
        "desktop.ini",
        "._a.csv",
        ".~lock.plan.odt#",
        "~$plan.docx",
        ".a.csv.swp",
        "a.csv~",
    ],
)
def test_what_file_managers_and_editors_leave_is_no_file_of_ours(landing: Path, name: str) -> None:
    put(landing, name, "x")
    (landing / ".empty").touch()
    put(landing, "README.txt", "Exports of ward 4.\n")
    put(landing, "minutes.docx", "PK")
    (landing / "__MACOSX").mkdir()
    put(landing / "__MACOSX", "b.csv", export())
    found = look(landing)
    assert (found.left, found.litter) == ((), 3)
    assert names(found.ready) == ["README.txt", "minutes.docx"]


def test_litter_that_was_on_record_is_taken_off(landing: Path) -> None:
    path = put(landing, ".DS_Store", "x").resolve()
    put(landing, "a.csv", export())
    before = Sight(path, 1, 0, 0, Fate.LEFT, NIGHT, "hidden_name")
    assert look(landing, {path: before}).gone == (path,)


def test_links_are_not_followed_and_said(landing: Path, tmp_path: Path) -> None:
    outside = put(tmp_path / "elsewhere", "secret.csv", export())
    (landing / "a.csv").symlink_to(outside)
    (landing / "folder").symlink_to(outside.parent)
    (landing / "nothing.csv").symlink_to(tmp_path / "gone")
    found = look(landing)
    assert found.ready == ()
    assert found.reasons == {"link": 3}


def test_a_pipe_in_the_folder_does_not_hold_the_night(landing: Path) -> None:
    os.mkfifo(landing / "pipe.csv")
    assert look(landing).reasons == {"not_a_file": 1}


@pytest.mark.skipif(AS_ROOT, reason="nothing is closed to root")
def test_a_closed_folder_is_said(landing: Path) -> None:
    put(landing / "inner", "a.csv", export())
    (landing / "inner").chmod(0)
    try:
        found = look(landing)
    finally:
        (landing / "inner").chmod(0o700)
    assert [(s.path.name, s.fate, s.why) for s in found.left] == [("inner", Fate.UNREAD, "EACCES")]


def test_a_folder_that_goes_away_while_it_is_walked_is_said(
    landing: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(landing / "inner", "a.csv", export())
    put(landing, "b.csv", export())
    scan = os.scandir

    def vanishing(folder: Path) -> object:
        if Path(folder).name == "inner":
            raise FileNotFoundError(2, "No such file or directory", str(folder))
        return scan(folder)

    monkeypatch.setattr("flows.nights.landing.os.scandir", vanishing)
    found = look(landing)
    assert names(found.ready) == ["b.csv"]
    assert found.reasons == {"ENOENT": 1}


def test_a_landing_folder_that_is_not_there_is_said_with_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="check that its drive is mounted"):
        look(tmp_path / "nowhere")


def test_the_ledgers_own_folder_and_the_one_for_loaded_files_are_not_looked_into(landing: Path) -> None:
    put(landing / "ledger" / "raw", "a.csv", export())
    put(landing / "done", "b.csv", export())
    put(landing, "c.csv", export())
    found = look(landing, not_below=(landing / "ledger", landing / "done"))
    assert names(found.ready) == ["c.csv"]


@pytest.mark.parametrize(
    "name", [b"new\nline.csv", b"caf\xe9 \xff.csv", b"[a]{b}*?.csv", "München ä.csv".encode()]
)
def test_any_name_can_be_taken_and_remembered(landing: Path, tmp_path: Path, name: bytes) -> None:
    path = put(landing, name, export())
    found = look(landing)
    assert [os.fsencode(s.path.name) for s in found.ready] == [name]
    note_sights(tmp_path, found.ready)
    assert read_sights(tmp_path)[path] == found.ready[0]


def held(sight: Sight, fate: Fate = Fate.HELD) -> Sight:
    return Sight(
        sight.path,
        sight.size,
        sight.written_ns,
        sight.changed_ns,
        fate,
        sight.since,
        digest=digest_at(sight.path),
        profiles="p1",
    )


def test_a_file_that_lies_as_it_did_is_known_and_one_that_was_touched_is_looked_at_again(
    landing: Path,
) -> None:
    path = put(landing, "a.csv", export())
    seen = {path: held(look(landing).ready[0])}
    assert names(look(landing, seen).known) == ["a.csv"]
    aged(path, timedelta(hours=5))
    assert names(look(landing, seen).ready) == ["a.csv"]


def test_other_content_under_old_size_and_time_is_noticed(landing: Path) -> None:
    """Whoever sets the time of writing back cannot set back when the entry was changed."""
    path = put(landing, "a.csv", export("DV-0001"))
    seen = {path: held(look(landing).ready[0])}
    path.write_text(export("DV-0002"))
    aged(path, timedelta(days=1))
    assert names(look(landing, seen).ready) == ["a.csv"]


def test_a_rejected_file_is_ready_again_when_the_profiles_are_others(landing: Path) -> None:
    path = put(landing, "a.csv", "not ours\n")
    seen = {path: held(look(landing).ready[0], Fate.REJECTED)}
    assert names(look(landing, seen).known) == ["a.csv"]
    assert names(look(landing, seen, profiles="p2").ready) == ["a.csv"]


def test_places_where_nothing_lies_any_more_are_told_but_not_when_the_whole_folder_is_empty(
    landing: Path,
) -> None:
    """An empty folder is more likely a drive that is not mounted than a clearing."""
    path = put(landing, "a.csv", export())
    seen = {path: held(look(landing).ready[0])}
    path.unlink()
    assert look(landing, seen).gone == ()
    put(landing, "b.csv", export())
    assert look(landing, seen).gone == (path,)


def test_ten_thousand_files_are_looked_at_once_each(landing: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = registry()
    for number in range(100):
        (landing / f"{number:02}").mkdir()
        for part in range(100):
            (landing / f"{number:02}" / f"{part}.csv").write_text(text)
    found = look_into(landing, {}, NIGHT, Patience(timedelta(0)), profiles="p1", wait=lambda seconds: None)
    assert len(found.ready) == 10_000
    seen = {sight.path: held_as(sight) for sight in found.ready}
    opened: list[object] = []
    monkeypatch.setattr("flows.nights.landing.ends_whole", lambda path: opened.append(path) or True)
    assert len(look(landing, seen).known) == 10_000
    assert opened == []


def held_as(sight: Sight) -> Sight:
    return Sight(
        sight.path, sight.size, sight.written_ns, sight.changed_ns, Fate.HELD, sight.since, digest="d"
    )


@pytest.mark.parametrize(
    ("data", "whole"),
    [
        (export().encode(), True),
        (export().encode()[:-1], False),
        (export().replace("\n", "\r\n").encode(), True),
        (b"\xef\xbb\xbf" + export().encode(), True),
        (export().rpartition("# end")[0].encode(), False),
        (registry().encode(), True),
        (b"", False),
        ("a;b\n1;2\n".encode("utf-16"), True),
        ("a;b\n1;2".encode("utf-16"), False),
        (gzip.compress(export().encode()), True),
        (gzip.compress(export().encode())[:-5], False),
        (gzip.compress(export().encode()[:-30]), False),
        (b"\x1f\x8b nonsense", True),  # damaged, not unfinished: the load says what is wrong
    ],
)
def test_the_end_of_a_whole_file(tmp_path: Path, data: bytes, whole: bool) -> None:
    path = tmp_path / "file"
    path.write_bytes(data)
    assert ends_whole(path) is whole


def test_a_file_that_could_not_be_read_stays_on_record_until_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    note_unread(tmp_path, {path: "EACCES"}, [path], NIGHT)
    assert read_sights(tmp_path)[path].why == "EACCES"
    note_unread(tmp_path, {path: "EACCES"}, [path], NIGHT + timedelta(days=1))
    assert read_sights(tmp_path)[path].since == NIGHT
    note_unread(tmp_path, {}, [path], NIGHT)
    assert read_sights(tmp_path) == {}


def test_a_broken_record_costs_a_look_and_is_begun_anew(tmp_path: Path) -> None:
    (tmp_path / "seen.sqlite").write_bytes(b"this is no database" * 100)
    assert read_sights(tmp_path) == {}
    sight = Sight(tmp_path / "a.csv", 1, 2, 3, Fate.HELD, NIGHT, digest="d")
    note_sights(tmp_path, [sight])
    assert read_sights(tmp_path) == {sight.path: sight}
    assert (tmp_path / "seen.sqlite").stat().st_mode & 0o077 == 0
