"""The guide to operations, of nights, status and logs: each command runs and prints what is shown."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from flows.cli import DONE, SOME_REJECTED
from flows.demo import sample_folders
from flows.nights.landing import REASONS
from flows.nights.night_settings import NightSettings
from shared import SHARED
from tests.support.guides import calls, follow, section
from tests.support.nights import LONG_AGO, NIGHT, aged

GUIDE = (SHARED / "guides" / "operations.md").read_text(encoding="utf-8")
PARTS = ("The nightly run", "What status and the logs say")
NIGHTS, SEEN = (section(GUIDE, part) for part in PARTS)


def test_every_command_runs_and_prints_what_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for folder in sample_folders():
        shutil.copytree(folder, tmp_path / "landing" / folder.name)
    for path in (tmp_path / "landing").rglob("*"):
        aged(path, 3650 * LONG_AGO, NIGHT)
    every = calls(NIGHTS) + calls(SEEN)
    assert len(every) == 4
    follow(every, capsys, ends=(DONE, SOME_REJECTED))


def test_every_setting_and_reason_is_in_the_guide() -> None:
    for name in (*NightSettings.model_fields, *REASONS):
        assert f"| `{name}` |" in NIGHTS, name


def test_the_settings_shown_are_settings(tmp_path: Path) -> None:
    from flows.nights.night_settings import night_settings

    (tmp_path / "nightly.toml").write_text(re.findall(r"```toml\n(.*?)```", NIGHTS, re.DOTALL)[0])
    assert night_settings(tmp_path, {}, {}).timezone == "Europe/Zurich"
