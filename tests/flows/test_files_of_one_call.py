"""Files given in one call: copies count once, and who shares a name is told by where it lies."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from flows.cli import DONE, WRONG_CALL, run
from flows.loading.checking import check_files
from flows.loading.request import request_for
from flows.loading.survey import survey
from flows.nights.night_settings import NightSettings
from flows.nights.nightly import run_night
from flows.show.checked import show_check
from pipeline.store import Home
from schemas.lake import FILE_NAME
from tests.support.nights import NIGHT, export, put, registry


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The same log in two wards under one name, packed, and two files of one name that nobody can read."""
    place = tmp_path / "in"
    put(place / "north", "a.csv", export())
    put(place / "south", "a.csv", export())
    (place / "south" / "b.csv.gz").write_bytes(gzip.compress(export().encode()))
    put(place / "north", "odd.csv", "x")
    put(place / "south", "odd.csv", "y")
    return place


def test_check_counts_a_copy_once_and_says_what_it_is_a_copy_of(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = survey([folder])
    reports = list(check_files(found, request_for(Home(tmp_path / "none"))))
    show_check(found, reports, as_json=False)
    said = capsys.readouterr().out
    assert "south/a.csv (profile v1): 3 of 3 rows would be kept." in said
    assert "a copy of north/a.csv, byte for byte: `load` keeps it once" in said
    assert "the same minutes as north/a.csv in other bytes: each minute counts once" in said
    # What a load keeps of them: the rows of the log and of the packed one.
    assert "5 files (1 copy counted once), 3 clean; 6 of 6 rows would be kept." in said
    assert {r.path.name: r.copy_of for r in reports if r.copy_of} == {"a.csv": folder / "north" / "a.csv"}


def test_a_log_with_another_minute_is_no_copy(tmp_path: Path) -> None:
    put(tmp_path, "a.csv", export(minutes=3))
    put(tmp_path, "b.csv", export(minutes=4))
    reports = check_files(survey([tmp_path]), request_for(Home(tmp_path / "none")))
    assert not any(r.copy_of or r.same_minutes_as for r in reports)


def test_check_goes_on_behind_a_registry_with_a_column_it_does_not_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path, "a registry.csv", registry().replace("tube_out_at", "tube_out_att", 1))
    put(tmp_path, "b.csv", export())
    found = survey([tmp_path])
    show_check(found, check_files(found, request_for(Home(tmp_path / "none"))), as_json=False)
    said = capsys.readouterr().out
    assert "not read, for the layout does not have them: tube_out_att" in said
    assert "b.csv (profile v1): 3 of 3 rows would be kept." in said


def test_load_tells_files_of_one_name_by_their_folders_and_keeps_the_name_alone(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = Home(tmp_path / "home")
    run(["load", str(folder), "--home", str(home.root)])
    said = capsys.readouterr().out
    assert "north/odd.csv: rejected." in said
    assert "south/odd.csv: rejected." in said
    assert "; 6 rows kept, 0 rejected;" in said
    names = home.private_lake.scan(FILE_NAME).collect()["name"].unique().sort().to_list()
    assert names == ["a.csv", "b.csv.gz", "odd.csv"]


def test_rejected_tells_files_of_one_name_by_where_a_night_saw_them(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = str(tmp_path / "home")
    run_night(Home(Path(home)), NightSettings(landing=folder, settle_minutes=0), NIGHT)
    capsys.readouterr()
    run(["rejected", "--home", home])
    said = capsys.readouterr().out
    assert "north/odd.csv  (" in said
    assert "south/odd.csv  (" in said
    run(["rejected", "--file", "odd.csv", "--home", home])
    assert capsys.readouterr().out == said


def test_a_file_is_meant_by_its_digits_its_name_or_a_path_to_it(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(tmp_path / "home")]
    run(["load", str(folder), *home])
    capsys.readouterr()
    # Two files of one name: where they lie tells them apart, their name alone lists both.
    assert run(["withdraw", "odd.csv", "--why", "a test", *home]) == WRONG_CALL
    said = capsys.readouterr().err
    assert said.count("no device, exported unknown, rejected") == 2
    assert run(["withdraw", str(folder / "north" / "odd.csv"), "--why", "a test", *home]) == DONE
    assert "odd.csv" in capsys.readouterr().out
    # As `load` printed it, from a folder that is not there any more.
    assert run(["withdraw", "south/b.csv.gz", "--why", "a test", *home]) == DONE
    assert run(["rejected", "--file", "nowhere.csv", *home]) == WRONG_CALL


@pytest.mark.parametrize("inside", ["", "private", "private/secret", "raw"])
@pytest.mark.parametrize("command", ["load", "check"])
def test_what_a_ledger_keeps_is_no_folder_of_exports(
    command: str, inside: str, loaded_samples: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    place = loaded_samples.root / inside
    assert run(["--home", str(loaded_samples.root), command, str(place)]) == WRONG_CALL
    assert f"{place} lies in the ledger's own home; name a folder of exports." in capsys.readouterr().err


def test_a_folder_that_is_to_become_a_home_may_hold_the_exports(tmp_path: Path) -> None:
    put(tmp_path, "a.csv", export())
    assert [path.name for path in survey([tmp_path], tmp_path).files] == ["a.csv"]
