"""`check` knows what the ledger holds; a named profile that is put upon files of other layouts says so."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from flows.cli import DONE, SOME_REJECTED, run
from tests.support.nights import export, put

MILL = """name = "mill"
delimiter = ","
site = "mill"
[device]
constant = "MG-07"
[clock]
format = "%Y-%m-%dT%H:%M"
timezone = "Europe/Zurich"
[columns]
clock = "when"
session = "no"
state = "mode"
air_leak = "leak"
[units]
air_leak = "mL/min"
[states]
on = "run"
"""
ODD = "when,no,mode,leak\n2031-03-10T14:00,3,on,20\n2031-03-10T14:01,3,on,20\n"


@pytest.fixture
def profile(tmp_path: Path) -> str:
    (tmp_path / "mill.toml").write_text(MILL)
    return str(tmp_path / "mill.toml")


def test_a_file_that_the_ledger_holds_is_known_and_not_rejected(
    tmp_path: Path, profile: str, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "odd.csv", ODD)
    home = ["--home", str(tmp_path / "home")]
    assert run(["load", str(tmp_path / "in"), "--profile", profile, *home]) == DONE
    put(tmp_path / "in", "new.csv", export())
    capsys.readouterr()
    assert run(["check", str(tmp_path / "in"), *home]) == DONE
    said = capsys.readouterr().out
    assert "odd.csv (profile mill): known (" in said
    assert "2 of 2 rows kept; a load passes it over." in said
    assert "rejected" not in said
    assert "1 new file, 1 clean; 3 of 3 rows would be kept; 1 known already. Nothing was written." in said
    run(["check", str(tmp_path / "in"), "--json", *home])
    new, odd = json.loads(capsys.readouterr().out)
    assert (new["held"], new["known"], odd["known"]) == (None, False, True)
    assert (odd["held"]["rows_kept"], odd["held"]["profile"]) == (2, "mill")


def test_a_profile_named_for_files_of_other_layouts_says_which_those_are(
    tmp_path: Path, profile: str, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "odd.csv", ODD)
    put(tmp_path / "in", "v1.csv", export())
    words = "--profile mill was used for 1 file that another profile recognises (v1.csv as v1), 1 of them rejected"
    for command in ("check", "load"):
        asked = [command, str(tmp_path / "in"), "--profile", profile, "--home", str(tmp_path / "home")]
        assert run(asked) == SOME_REJECTED
        assert words in capsys.readouterr().out
