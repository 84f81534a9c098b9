"""The example scripts, called as somebody calls them who has not read their first lines."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import pytest

from shared import SHARED

EXAMPLES = sorted((SHARED / "examples").glob("*.py"))


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
@pytest.mark.parametrize("words", [[], ["drainledger.duckdb"], ["not_there.duckdb", "picture.svg"]])
def test_without_a_database_an_example_says_how_it_is_called(
    example: Path,
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", [str(example), *words])
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(example), run_name="__main__")
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith(f"usage: python {example} DATABASE PICTURE")
    assert said.count("\n") == 1
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda path: path.stem)
def test_a_file_that_is_no_database_is_named_in_one_sentence(
    example: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    letter = tmp_path / "letter.duckdb"
    letter.write_text("To whom it may concern, a letter and no database at all.\n" * 300)
    monkeypatch.setattr(sys, "argv", [str(example), str(letter), str(tmp_path / "picture.svg")])
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(example), run_name="__main__")
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith(f"{letter}: not a published database (")
    assert said.count("\n") == 1
