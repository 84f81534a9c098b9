"""A clock set years wrong reads as well as any other; its own export and the other files tell."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from flows.cli import run
from tests.support.nights import export, put


def doubts(folder: Path, home: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, list[str]]:
    run(["check", str(folder), "--json", "--home", str(home)])
    return {Path(told["path"]).name: told["doubts"] for told in json.loads(capsys.readouterr().out)}


def test_an_export_years_after_its_minutes_is_doubted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "in", "a.csv", export().replace("exported_at: 2031", "exported_at: 2087"))
    (said,) = doubts(tmp_path / "in", tmp_path / "none", capsys)["a.csv"]  # and no day and month changed
    assert "lies 56 years before its export, 2087-03-" in said


def test_a_log_decades_from_all_others_is_doubted_and_they_are_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(tmp_path / "held", "held.csv", export(minutes=5))
    run(["load", str(tmp_path / "held"), "--home", str(tmp_path / "home")])
    put(tmp_path / "in", "b.csv", export(minutes=4))
    put(tmp_path / "in", "late.csv", export().replace("2031-", "2087-"))
    capsys.readouterr()
    told = doubts(tmp_path / "in", tmp_path / "home", capsys)
    assert told["b.csv"] == []
    assert "lies 56 years after the nearest of most other files" in told["late.csv"][0]
    # Alone, no clock of this machine tells: it is what all of its files say.
    (tmp_path / "in" / "b.csv").unlink()
    assert doubts(tmp_path / "in", tmp_path / "none", capsys) == {"late.csv": []}
