"""Follows a guide as a reader would: its console blocks, command by command, and what it shows beneath each."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from flows.cli import DONE, FAILED, WRONG_CALL, run
from pipeline.store import Home
from shared import SHARED
from tests.support.homes import load

ROOT = SHARED.parent
OF_THE_SHELL = ("mkdir", "install", "cp", "sed", "chmod")
_BLOCK = re.compile(r"^ *```console\n(.*?)^ *```", re.DOTALL | re.MULTILINE)
_FILE_IN_PLACE = re.compile(r"\$\(cat ([^)]+)\)")


@dataclass(frozen=True)
class Call:
    """A command of a guide, and the lines shown beneath it; `…` in them stands for anything."""

    words: tuple[str, ...]
    shown: tuple[str, ...]

    @property
    def program(self) -> str:
        """What is called."""
        return self.words[0]


def calls(text: str) -> list[Call]:
    """Each line that begins with `$ ` in a console block, remarks behind `#` left out."""
    found: list[Call] = []
    for block in _BLOCK.findall(text):
        for line in block.splitlines():
            said = line.strip()
            if said.startswith("$ "):
                found.append(Call(tuple(shlex.split(said[2:], comments=True)), ()))
            elif said not in ("", "…"):
                found[-1] = Call(found[-1].words, (*found[-1].shown, said))
    return found


def section(text: str, heading: str) -> str:
    """The part of a guide under a heading of the second level."""
    return text.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def follow(
    wanted: Iterable[Call],
    capsys: pytest.CaptureFixture[str],
    *,
    ends: tuple[int, ...] = (DONE,),
    names: Mapping[str, Callable[[], str]] | None = None,
    demo_made: Path | None = None,
) -> None:
    """
    Run each command where one stands, and find what is shown beneath it in what it prints.

    Parameters
    ----------
    ends
        Exit statuses that the guide may meet; where it shows a complaint, the command must fail.
    names
        What a reader would put in place of a word: an id that differs from ledger to ledger.
    demo_made
        What `demo` made and printed elsewhere, to be put where the guide has it made; unsaid: it is made.
    """
    for call in wanted:
        arguments = [_put(word, names or {}) for word in call.words[1:]]
        if call.program in OF_THE_SHELL:
            subprocess.run([call.program, *arguments], check=True)
            continue
        if call.program == "make":
            assert f"\n{arguments[0]}:" in (ROOT / "Makefile").read_text(encoding="utf-8"), call
            continue
        capsys.readouterr()
        if demo_made is not None and arguments[-1] == "demo":
            assert arguments[0] == "--home"
            copy_of(demo_made / "home", Path(arguments[1]))
            printed, complaint = (demo_made / "printed.txt").read_text(encoding="utf-8"), ""
        elif call.program == "python":
            done = subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False)
            assert done.returncode == 0, (call, done.stderr)
            printed, complaint = done.stdout, done.stderr
        else:
            assert call.program == "drainledger", call
            ended = run(arguments)
            printed, complaint = capsys.readouterr()
            fails = any(line.startswith("drainledger: ") for line in call.shown)
            assert ended in ((WRONG_CALL, FAILED) if fails else ends), (call, printed, complaint)
        lines = [line.strip() for line in (printed + complaint).splitlines()]
        for line in call.shown:
            assert any(_begins(one, line) for one in lines), (call.words, line, lines)


def copy_of(made: Path, home: Path) -> None:
    """A home as another is, published anew: its minutes are found by the place where it lies."""
    shutil.copytree(made, home, symlinks=True)
    load(Home(home), [])


def pictures_of(guide: Path) -> list[Path]:
    """The pictures a guide shows."""
    return [guide.parent / p for p in re.findall(r"\]\(([^)]+\.svg)\)", guide.read_text(encoding="utf-8"))]


def _put(word: str, names: Mapping[str, Callable[[], str]]) -> str:
    if word in names:
        return names[word]()
    return _FILE_IN_PLACE.sub(lambda found: Path(found[1]).read_text(encoding="utf-8"), word)


def _begins(printed: str, shown: str) -> bool:
    return re.match(".*?".join(map(re.escape, shown.split("…"))), printed) is not None
