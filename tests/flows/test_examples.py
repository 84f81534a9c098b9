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
