"""
What `drainledger --help` prints: every command in a line, at once.

The parser makes this page of all commands' modules; that takes longer than anybody should wait for help. So
the page lies ready in `front_page.txt`, made by the parser itself (`make front`), and a test holds the two
together.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
from pathlib import Path

PAGE = Path(__file__).with_suffix(".txt")
_COLUMNS = 80


def asks_for_it(arguments: list[str]) -> bool:
    """Whether this call asks for the help of everything, on a terminal that is wide enough for the page."""
    asked = arguments[2:] if arguments[:1] == ["--home"] else arguments
    return asked in ([], ["--help"], ["-h"]) and shutil.get_terminal_size().columns >= _COLUMNS


def front_page() -> str:
    """The page as it lies ready."""
    return PAGE.read_text(encoding="utf-8")


def made_anew() -> str:
    """The page as the parser makes it of the commands as they are."""
    from flows.calling import call

    printed = io.StringIO()
    before = os.environ.get("COLUMNS")
    os.environ["COLUMNS"] = str(_COLUMNS)
    try:
        with contextlib.redirect_stdout(printed):
            call(["--help"])
    finally:
        if before is None:
            del os.environ["COLUMNS"]
        else:
            os.environ["COLUMNS"] = before
    return "".join(f"{line.rstrip()}\n" for line in printed.getvalue().splitlines())


if __name__ == "__main__":
    PAGE.write_text(made_anew(), encoding="utf-8")
