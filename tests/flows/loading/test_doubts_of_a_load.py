"""A profile that passes every rule and reads the figures wrong is named by the load that used it."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest

from flows.cli import DONE, run
from tests.flows.loading.test_known_and_forced import MILL, ODD
from tests.support.nights import export, put

# L/min, read as mL/min; and the layout has no mean pressure.
LITRES = ODD.replace(",20\n", ",0.2\n")
BEGINS = "Loaded, and doubtful: "


@pytest.fixture
def profile(tmp_path: Path) -> str:
    (tmp_path / "my mill.toml").write_text(MILL)
    return str(tmp_path / "my mill.toml")


def load(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[str]:
    """What a load says of doubts."""
    capsys.readouterr()
    assert run(["load", *arguments]) == DONE
    return [line for line in capsys.readouterr().out.splitlines() if line.startswith(BEGINS)]


def test_a_load_names_the_profile_and_the_call_of_check_that_lists_each_doubt(
    tmp_path: Path, profile: str, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "a b.csv", LITRES)
    put(tmp_path / "in", "more.csv", LITRES.replace("T14", "T15"))
    home = ["--home", str(tmp_path / "home")]
    (line,) = load(capsys, str(tmp_path / "in"), "--profile", profile, *home)
    assert line.startswith(f"{BEGINS}2 files read with profile mill (a b.csv: ")
    call = shlex.split(line.partition("What and where: ")[2])
    assert call[0] == "drainledger"
    run(call[1:])
    said = capsys.readouterr().out
    doubts = [one.strip().removeprefix("doubtful: ") for one in said.splitlines() if "doubtful: " in one]
    assert "the greatest air_leak is 0.2 mL/min: see [units] air_leak" in doubts
    assert f"{doubts[0]}; and {len(doubts) - 1} more" in line
    # Told once: the ledger has the files now, and `check` still doubts them.
    assert load(capsys, str(tmp_path / "in"), "--profile", profile, *home) == []


def test_a_script_is_told_the_doubts_of_each_file(
    tmp_path: Path, profile: str, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "odd.csv", LITRES)
    asked = [str(tmp_path / "in"), "--profile", profile, "--json", "--home", str(tmp_path / "home")]
    run(["check", *asked])
    (checked,) = json.loads(capsys.readouterr().out)
    run(["load", *asked])
    (file,) = json.loads(capsys.readouterr().out)["files"]
    assert file["doubts"] == checked["doubts"] != []


def test_a_log_that_nothing_is_doubtful_in_is_loaded_without_a_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "a.csv", export())
    assert load(capsys, str(tmp_path / "in"), "--home", str(tmp_path / "home")) == []


def test_a_mended_profile_is_doubted_no_more_when_its_files_are_read_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = tmp_path / "home" / "profiles" / "mill.toml"
    own.parent.mkdir(parents=True)
    own.parent.parent.chmod(0o700)
    text = 'match = "^when,no,mode,leak$"\n' + MILL
    own.write_text(text)
    put(tmp_path / "in", "odd.csv", LITRES)
    asked = [str(tmp_path / "in"), "--home", str(tmp_path / "home")]
    assert "; and 1 more" in load(capsys, *asked)[0]
    own.write_text(text.replace('"mL/min"', '"L/min"'))
    (line,) = load(capsys, *asked)  # the layout still has no mean pressure
    assert "see [columns] pressure_mean" in line
    assert "more" not in line
