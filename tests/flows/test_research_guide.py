"""The guide to research does what it says: each command runs, and what is shown is what it prints."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from flows.cli import DONE, run
from shared import SHARED

GUIDE = SHARED / "guides" / "research.md"


def _commands() -> list[tuple[list[str], list[str]]]:
    """Each command of the guide's console blocks, and the lines shown beneath it."""
    found: list[tuple[list[str], list[str]]] = []
    for block in re.findall(r"```console\n(.*?)```", GUIDE.read_text(encoding="utf-8"), re.DOTALL):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((shlex.split(line[2:]), []))
            elif line.strip() not in ("", "…"):
                found[-1][1].append(line.strip())
    return found


def test_every_command_of_the_guide_runs_and_prints_what_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "shared").symlink_to(SHARED)
    monkeypatch.chdir(tmp_path)
    commands = _commands()
    assert len(commands) >= 6
    for (program, *arguments), shown in commands:
        assert program == "drainledger"
        capsys.readouterr()
        assert run(arguments) == DONE, arguments
        printed = [line.strip() for line in capsys.readouterr().out.splitlines()]
        for line in shown:
            assert any(one.startswith(line) for one in printed), (arguments, line, printed)
    for cohort in sorted((SHARED / "cohorts").glob("*.toml")):
        out = str(tmp_path / cohort.stem)
        assert run(["--home", "demo-ledger", "extract", str(cohort), "--out", out]) == DONE, cohort.name
    flow = (tmp_path / "study" / "flow.svg").read_bytes()
    assert (SHARED / "guides" / "pictures" / "research-flow.svg").read_bytes() == flow


def test_the_guide_speaks_of_every_part_and_of_the_caution() -> None:
    text = " ".join(GUIDE.read_text(encoding="utf-8").split())
    for part in ("no monitor", "Nobody clamps a drain that still leaks", "not US Safe Harbor", "protocol"):
        assert part in text
    for picture in re.findall(r"\]\((pictures/[^)]+)\)", text):
        assert (GUIDE.parent / picture).is_file(), picture


def test_the_cohorts_page_names_every_key() -> None:
    from pipeline.extract.cohort_file import Cohort, Give, Mapping, Who

    page = (SHARED / "cohorts" / "README.md").read_text(encoding="utf-8")
    for model in (Cohort, Who, Mapping, Give):
        for key in model.model_fields:
            if model is not Cohort or key not in ("who", "mapping", "give"):
                assert f"`{key}`" in page or f"`{key} =" in page, key
    assert "`shared_use =" in page
