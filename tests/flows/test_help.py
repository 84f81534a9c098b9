"""Help fits a screen, each command shows a call that works, and a script can ask for JSON."""

from __future__ import annotations

import inspect
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from cyclopts import App

from flows.app import app
from flows.cli import DONE, WRONG_CALL, run
from flows.commands import MODULES, import_all
from flows.front_page import front_page, made_anew

ROOT = Path(__file__).parents[2]
WITHOUT_JSON = {"sql", "serve", "completion"}  # sql has --format; the others answer nobody


def commands(of: App = app, before: tuple[str, ...] = ()) -> Iterator[tuple[str, App]]:
    for name in of:
        if name.startswith("-"):
            continue
        under = [one for one in of[name] if not one.startswith("-")]
        if under:
            yield from commands(of[name], (*before, name))
        else:
            yield " ".join((*before, name)), of[name]


import_all()
COMMANDS = dict(commands())


def test_the_help_of_all_commands_fits_a_screen(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert run(["--help"]) == DONE
    printed = capsys.readouterr().out.splitlines()
    assert len(printed) <= 56
    assert max(map(len, printed)) <= 80
    named = {line.split(":")[0].strip() for line in printed if line.startswith("  ")}
    assert {name.split()[0] for name in COMMANDS} <= named


def test_the_page_that_lies_ready_is_what_the_parser_makes_of_the_commands() -> None:
    """Where it is not: `make front`."""
    assert front_page() == made_anew()


def test_each_command_is_found_in_the_module_it_is_said_to_be_in() -> None:
    for module, names in MODULES.items():
        for name in names:
            command = app[name].default_command
            assert command is None or command.__module__ == f"flows.commands.{module}"
    assert {name for names in MODULES.values() for name in names} == {name.split()[0] for name in COMMANDS}


def test_a_slip_is_told_the_nearest_of_all_commands_whichever_were_imported() -> None:
    program = "import sys; from flows.cli import run; sys.exit(run(sys.argv[1:]))"
    call = [sys.executable, "-c", program, "docter", "status"]
    done = subprocess.run(call, capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == WRONG_CALL
    assert '"doctor"' in done.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_shows_calls_that_can_be_made(name: str) -> None:
    epilogue = COMMANDS[name].help_epilogue or ""
    calls = [shlex.split(line.split(" > ")[0])[1:] for line in epilogue.splitlines()[1:]]
    assert calls
    for call in calls:
        assert " ".join(call).startswith(name)
        home = call.index("--home") if "--home" in call else len(call)
        command, _, ignored = app.parse_args([*call[:home], *call[home + 2 :]], print_error=False)
        assert command is not None
        assert set(ignored) <= {"home"}


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - WITHOUT_JSON))
def test_a_script_can_ask_for_json(name: str) -> None:
    command = COMMANDS[name].default_command
    assert command is not None
    assert "json_" in inspect.signature(command).parameters


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_learns_every_command(shell: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["completion", shell]) == DONE
    script = capsys.readouterr().out
    assert [name for name in COMMANDS if name.split()[-1] not in script] == []
