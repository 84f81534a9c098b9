"""The guide to operations, of nights, status and logs: each command runs and prints what is shown."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from flows.cli import DONE, SOME_REJECTED, run
from flows.demo import sample_folders
from flows.landing import REASONS
from flows.night_settings import NightSettings
from shared import SHARED
from tests.support.nights import LONG_AGO, NIGHT, aged

GUIDE = (SHARED / "guides" / "operations.md").read_text(encoding="utf-8")


def section(heading: str) -> str:
    return GUIDE.split(f"\n## {heading}\n")[1].split("\n## ")[0]


NIGHTS, SEEN = section("The nightly run"), section("What status and the logs say")


def commands(text: str) -> list[tuple[list[str], list[str]]]:
    found: list[tuple[list[str], list[str]]] = []
    for block in re.findall(r"```console\n(.*?)```", text, re.DOTALL):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((shlex.split(line[2:]), []))
            elif line.strip():
                found[-1][1].append(line.strip())
    return found


def test_every_command_runs_and_prints_what_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    for folder in sample_folders():
        shutil.copytree(folder, tmp_path / "landing" / folder.name)
    for path in (tmp_path / "landing").rglob("*"):
        aged(path, 3650 * LONG_AGO, NIGHT)
    every = commands(NIGHTS) + commands(SEEN)
    assert len(every) == 4
    for (program, *arguments), shown in every:
        assert program == "drainledger"
        capsys.readouterr()
        assert run(arguments) in (DONE, SOME_REJECTED), arguments
        printed = [line.strip() for line in capsys.readouterr().out.splitlines()]
        for line in shown:
            assert any(one.startswith(line) for one in printed), (arguments, line, printed)


def test_every_setting_and_reason_is_in_the_guide() -> None:
    for name in (*NightSettings.model_fields, *REASONS):
        assert f"| `{name}` |" in NIGHTS, name


def test_the_settings_shown_are_settings(tmp_path: Path) -> None:
    from flows.night_settings import night_settings

    (tmp_path / "nightly.toml").write_text(re.findall(r"```toml\n(.*?)```", NIGHTS, re.DOTALL)[0])
    assert night_settings(tmp_path, {}, {}).timezone == "Europe/Zurich"
