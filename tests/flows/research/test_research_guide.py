"""The guide to research does what it says: each command runs, and what is shown is what it prints."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.cli import DONE, run
from pipeline.definitions import load_definitions
from shared import SHARED
from tests.support.guides import calls, follow, pictures_of

GUIDE = SHARED / "guides" / "research.md"


def test_every_definition_of_a_prolonged_leak_stands_in_the_guide() -> None:
    guide = GUIDE.read_text(encoding="utf-8")
    for definition in load_definitions().prolonged_leak:
        assert f"| `{definition.name}` |" in guide, definition.name


def test_every_command_of_the_guide_runs_and_prints_what_is_shown(
    tmp_path: Path, demo_made: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "shared").symlink_to(SHARED)
    monkeypatch.chdir(tmp_path)
    commands = calls(GUIDE.read_text(encoding="utf-8"))
    assert len(commands) >= 6
    follow(commands, capsys, demo_made=demo_made)
    for cohort in sorted((SHARED / "cohorts").glob("*.toml")):
        out = str(tmp_path / cohort.stem)
        assert run(["--home", "demo-ledger", "extract", str(cohort), "--out", out]) == DONE, cohort.name
    flow = (tmp_path / "study" / "flow.svg").read_bytes()
    assert (SHARED / "guides" / "pictures" / "research-flow.svg").read_bytes() == flow


def test_the_guide_speaks_of_every_part_and_of_the_caution() -> None:
    text = " ".join(GUIDE.read_text(encoding="utf-8").split())
    for part in ("no monitor", "Nobody clamps a drain that still leaks", "not US Safe Harbor", "protocol"):
        assert part in text
    assert all(picture.is_file() for picture in pictures_of(GUIDE))


def test_the_cohorts_page_names_every_key() -> None:
    from pipeline.extract.cohort_file import Cohort, Give, Mapping, Who

    page = (SHARED / "cohorts" / "README.md").read_text(encoding="utf-8")
    for model in (Cohort, Who, Mapping, Give):
        for key in model.model_fields:
            if model is not Cohort or key not in ("who", "mapping", "give"):
                assert f"`{key}`" in page or f"`{key} =" in page, key
    assert "`shared_use =" in page
