"""The doctor finds what is wrong, says what to do, and writes nothing."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from shutil import rmtree

import pytest

from flows.cli import run
from flows.keeping import doctor_machine
from flows.keeping.doctor import examine, worst
from flows.keeping.finding import Finding, Grade
from flows.loading.load import run_load
from flows.loading.request import request_for
from pipeline.definitions import load_definitions
from pipeline.store import Home
from pipeline.store.journal import Reading, write_journal, write_readings
from pipeline.store.vault import digest_of
from schemas.errors import LakeError
from schemas.lake import LOAD_FILE
from tests.faults.kills import FILES
from tests.support.homes import NOW, make_home


def everything(folder: Path) -> dict[str, tuple[int, int, int]]:
    return {
        str(path.relative_to(folder)): (path.lstat().st_size, path.lstat().st_mtime_ns, path.lstat().st_mode)
        for path in folder.rglob("*")
    }


def of(findings: list[Finding], check: str) -> list[Finding]:
    return [finding for finding in findings if finding.check == check and finding.grade is not Grade.FINE]


def test_a_sound_ledger_is_fine_in_every_respect_and_untouched_by_the_look(home: Home) -> None:
    before = everything(home.root)
    found = examine(home, NOW, every=True)
    assert worst(found) is Grade.FINE, [finding for finding in found if finding.grade is not Grade.FINE]
    checks = {
        "versions",
        "settings",
        "permissions",
        "space",
        "key",
        "lake",
        "clock",
        "time zones",
        "raw files",
    }
    assert checks | {"database", "leftovers"} <= {finding.check for finding in found}
    assert everything(home.root) == before


def _another_key(home: Home) -> None:
    (home.private / "secret").write_text("cd" * 32)


def _raw(home: Home) -> Path:
    digest = digest_of(FILES["a first.csv"])
    return home.root / "raw" / digest[:2] / digest


def _changed(home: Home) -> None:
    _raw(home).chmod(0o600)
    _raw(home).write_bytes(b"other")


def _cut_log(home: Home) -> None:
    log = sorted((home.root / "lake" / "load_file" / "_delta_log").glob("*.json"))[-1]
    log.write_bytes(log.read_bytes()[:-40])


def _hole(home: Home) -> None:
    log = home.root / "lake" / "load_file" / "_delta_log"
    (log / f"{7:020}.json").write_bytes(sorted(log.glob("*.json"))[-1].read_bytes())


FAULTS: dict[str, tuple[Callable[[Home], object], str, str, str]] = {
    "key gone": (lambda h: (h.private / "secret").unlink(), "key", "is gone", "restore it from a backup"),
    "another key": (_another_key, "key", "another key than the one", ""),
    "private open": (lambda h: h.private.chmod(0o755), "permissions", "others", "chmod"),
    "home open": (
        lambda h: h.root.chmod(0o755),
        "permissions",
        "others may list it, and read drainledger.duckdb in it (mode 0755)",
        "chmod 700 ",
    ),
    "raw gone": (lambda h: _raw(h).unlink(), "raw files", "its bytes are gone", "restore it from a backup"),
    "profile text gone": (
        lambda h: [
            p.unlink() for p in (h.root / "raw").glob("*/*") if p.name not in map(digest_of, FILES.values())
        ],
        "raw files",
        "the text of a profile",
        "restore it from a backup",
    ),
    "raw changed": (_changed, "raw files", "its bytes have changed", "restore"),
    "stray raw": (
        lambda h: h.raw.keep(b"never recorded"),
        "raw files",
        "is kept and not on record",
        "load that file again",
    ),
    "reading gone": (
        lambda h: [path.unlink() for path in h.readings.glob("*/*")],
        "raw files",
        "how it was read is not on record",
        "restore",
    ),
    "part gone": (
        lambda h: sorted((h.root / "lake" / "course").rglob("*.parquet"))[0].unlink(),
        "lake",
        "table course: a part of it is gone",
        "rebuild",
    ),
    "table gone": (
        lambda h: rmtree(h.root / "lake" / "minute"),
        "lake",
        "table minute: it is gone with all rows",
        "rebuild",
    ),
    "lake gone": (
        lambda h: [rmtree(h.root / "lake"), rmtree(h.private / "lake")],
        "lake",
        "file_name, load_file",
        "rebuild",
    ),
    "footer spoilt": (
        lambda h: (p := sorted((h.root / "lake" / "minute").rglob("*.parquet"))[0]).write_bytes(
            p.read_bytes()[:-4] + b"XXXX"
        ),
        "lake",
        "its footer cannot be read",
        "rebuild",
    ),
    "log cut off": (_cut_log, "lake", "its log cannot be read", "rebuild"),
    "night misspelt": (
        lambda h: (h.root / "nightly.toml").write_text('landng = "in"\n'),
        "night",
        "nightly.toml: unknown key landng",
        "did you mean landing?",
    ),
    "night out of reach": (
        lambda h: (h.root / "nightly.toml").write_text("look_seconds = 0\n"),
        "night",
        "nightly.toml: look_seconds 0: ",
        "mend that",
    ),
    "hole in a log": (_hole, "lake", "", "rebuild"),
    "no database": (lambda h: h.database.unlink(), "database", "nothing is published", "load"),
    "spoilt database": (
        lambda h: (h.database.chmod(0o600), h.database.write_bytes(b"x" * 5000)),
        "database",
        "cannot be opened",
        "rebuild",
    ),
    "journal": (
        lambda h: write_journal(h.journal, [Reading("ab" * 32, "log", "x")]),
        "leftovers",
        "a load was broken off at 1 files",
        "load again",
    ),
    "stale part": (
        lambda h: (h.root / "raw" / f"x.{2**22 + 1}.part").touch(),
        "leftovers",
        "of processes that died",
        "maintain",
    ),
    "put aside": (lambda h: (h.root / "lake.broken-1").mkdir(), "leftovers", "was put aside", "remove it"),
    "profile": (
        lambda h: ((h.root / "profiles").mkdir(), (h.root / "profiles" / "annex.toml").write_text("x = ")),
        "settings",
        "annex",
        "",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_found_with_what_to_do_and_the_look_goes_on(name: str, home: Home) -> None:
    breaks, check, what, do = FAULTS[name]
    breaks(home)
    before = everything(home.root)
    found = examine(home, NOW, every=True)
    told = of(found, check)
    assert told, [finding for finding in found if finding.grade is not Grade.FINE]
    assert any(what in one.what and do in one.do for one in told), told
    assert everything(home.root) == before


def test_a_draft_of_a_profile_hides_nothing_else(home: Home) -> None:
    (home.root / "profiles").mkdir()
    (home.root / "profiles" / "annex.toml").write_text("x = ")
    _cut_log(home)
    found = examine(home, NOW)
    assert of(found, "settings")[0].grade is Grade.BROKEN
    assert {"key", "lake", "raw files"} <= {one.check for one in found}
    assert any(one.grade is Grade.BROKEN for one in of(found, "lake"))


def test_whatever_an_engine_says_a_finding_is_one_line_with_something_to_do(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    _cut_log(home)
    found = [one for one in examine(home, NOW) if one.grade is not Grade.FINE]
    assert len(found) > 1
    for one in found:
        assert "\n" not in one.what
        assert len(one.what) < 250
        assert not any(word in one.what for word in (".S:", ".rs:", "backtrace", " at /")), one.what
        assert one.do
        assert "sentence before" not in one.do
    with pytest.raises(LakeError) as caught:
        home.lake.files(LOAD_FILE)
    assert str(caught.value).count("\n") == 0
    assert "clone3" not in str(caught.value)


def test_a_part_that_is_gone_is_told_once_and_no_load_is_advised_for_it(home: Home) -> None:
    sorted((home.root / "lake" / "load_file").rglob("*.parquet"))[0].unlink()
    found = examine(home, NOW)
    assert [one.check for one in found if one.grade is Grade.BROKEN] == ["lake"]
    assert not any("load again" in one.do for one in found)
    assert {one.what for one in found if one.grade is Grade.ADVICE} == {
        "could not be looked at while the lake is broken"
    }


def test_a_missing_raw_file_is_said_with_its_place_and_the_rest_is_not_called_whole(home: Home) -> None:
    lost = _raw(home)
    lost.unlink()
    (paper,) = [p for p in (home.private / "raw").rglob("*") if p.name == digest_of(FILES["registry.csv"])]
    paper.unlink()
    said = [one for one in examine(home, NOW) if one.check == "raw files"]
    assert {(one.where, one.do.rpartition(" ")[2]) for one in said} == {
        (lost.name, str(lost.resolve())),
        (paper.name, str(paper.resolve())),
    }


def test_settings_of_the_night_that_can_be_read_are_fine(home: Home) -> None:
    (home.root / "nightly.toml").write_text('landing = "in"\ncron = "15 3 * * *"\n')
    (home.root / "nightly.toml").chmod(0o600)
    (said,) = [one for one in examine(home, NOW) if one.check == "night"]
    assert said.grade is Grade.FINE
    assert "15 3 * * * UTC" in said.what


def test_exports_all_of_years_to_come_are_invented_data_and_no_fault(tmp_path: Path, given: Path) -> None:
    today = datetime(2026, 2, 1, tzinfo=UTC)
    invented = make_home(tmp_path / "home")
    run_load(invented, [given / "a first.csv"], request_for(invented), today)
    (said,) = [one for one in examine(invented, today) if one.check == "clock"]
    assert said.grade is Grade.FINE
    assert "the data are invented, as the samples are, or else the clock" in said.what
    old = FILES["a first.csv"].decode().replace("2031-", "2025-").replace("DV-", "DV-9")
    (tmp_path / "old.csv").write_text(old)
    run_load(invented, [tmp_path / "old.csv"], request_for(invented), today)
    (said,) = [one for one in examine(invented, today) if one.check == "clock"]
    assert said.grade is Grade.ADVICE
    assert said.what.startswith("the newest export is of 2031-")


def test_a_home_that_lets_others_through_to_its_database_is_said_to(home: Home) -> None:
    home.root.chmod(0o711)
    (said,) = [one for one in examine(home, NOW) if one.check == "permissions"]
    assert said.grade is Grade.FINE
    assert "lets others through to what is open in it (mode 0711)" in said.what


def test_a_clock_behind_the_data_or_before_any_data_is_found(home: Home) -> None:
    (early,) = of(examine(home, datetime(1970, 1, 1, tzinfo=UTC)), "clock")
    assert early.grade is Grade.BROKEN
    assert "1970-01-01" in early.what
    (behind, *_) = of(examine(home, NOW - timedelta(days=100)), "clock")
    assert "the last load is of 2031-06-01" in behind.what
    assert of(examine(home, NOW - timedelta(hours=20)), "clock") == []


def test_a_disk_with_too_little_room_is_found(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doctor_machine.shutil, "disk_usage", lambda _: _Usage(1 << 20))
    (found,) = of(list(doctor_machine.space(home, load_definitions())), "space")
    assert found.grade is Grade.BROKEN
    assert found.what.startswith("1 MiB are free and the next load may want")


class _Usage:
    def __init__(self, free: int) -> None:
        self.free = free


def test_a_library_outside_its_bounds_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        doctor_machine.metadata, "requires", lambda _: ["polars>=99", "nonesuch>=1", "numpy>=2; extra == 'x'"]
    )
    found = of(list(doctor_machine.versions()), "versions")
    assert [(one.where, one.grade) for one in found] == [("polars", Grade.BROKEN), ("nonesuch", Grade.BROKEN)]


def test_exit_status_and_json_are_for_scripts(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    status = run(["doctor", "--json", "--home", str(home.root)])
    found = json.loads(capsys.readouterr().out)
    # The test's files are of a year to come, which the machine's own clock may or may not have reached.
    assert {one["check"] for one in found if one["grade"] != "fine"} <= {"clock"}
    assert status in (0, 1)
    (home.private / "secret").unlink()
    assert run(["doctor", "--home", str(home.root)]) == 3
    assert "BROKEN  key" in capsys.readouterr().out
    assert run(["doctor", "--home", str(home.root / "nowhere")]) == 3


def test_a_first_load_that_was_broken_off_has_lost_nothing(tmp_path: Path) -> None:
    home = make_home(tmp_path / "ledger")
    begun = [Reading("ab" * 32, "log", "a.csv"), Reading("cd" * 32, "log", "c.csv")]
    write_readings(home.readings, begun)
    write_journal(home.journal, begun)
    found = examine(home, NOW)
    assert not [one for one in of(found, "lake") if one.grade is Grade.BROKEN]
    assert [one.do for one in of(found, "leftovers")] == ["load again: it goes on"]
    write_journal(home.journal, begun[:1])
    assert "file_name" in of(examine(home, NOW), "lake")[0].what
