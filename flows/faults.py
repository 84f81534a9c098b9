"""A fault nobody foresaw, in one sentence: what it was, what it left, and what helps at that stage."""

from __future__ import annotations

import traceback
from pathlib import Path

_ROOT = Path(__file__).parent.parent
_OURS = tuple(str(_ROOT / layer) for layer in ("flows", "pipeline", "schemas"))
_WRITES_NOTHING = ("check", "suggest", "completion")  # by their own word, so no record of a fault either
_MAKES = ("flows/loading/", "flows/keeping/")
_PRINTS = "flows/show/"
_METER = "flows/show/meter.py"  # shows how far a load is, from within the load


def unforeseen(error: Exception, command: str, home: Path) -> str:
    """
    One sentence for a fault nobody foresaw; the whole of it goes where values may stand.

    Making everything anew helps only where something was being made; where what was done could not be
    printed, it stands. A command that writes nothing keeps no record of its faults.
    """
    said = str(error).strip().splitlines()
    what = f"{type(error).__name__}: {said[0][:200]}" if said else type(error).__name__
    places = _places(error)
    told = f"something failed that should not ({what}"
    told += f", at {places[-1]})" if places else ")"
    private = home / "private"
    if command in _WRITES_NOTHING or not private.is_dir():
        return f"{told}; nothing was written; please report it."
    details = private / "last-fault.txt"
    details.write_text("".join(traceback.format_exception(error)), encoding="utf-8")
    return f"{told}; the details are in {details}. {_advice(command, places)}"


def _advice(command: str, places: list[str]) -> str:
    if places and places[-1].startswith(_PRINTS) and not places[-1].startswith(_METER):
        return "Only the printing failed: what the command did stands; please report it."
    if command != "rebuild" and any(place.startswith(_MAKES) for place in places):
        return "If it comes again, `drainledger rebuild` makes everything anew from the raw files."
    return "What is published stands; please report it."


def _places(error: Exception) -> list[str]:
    """Where in our own code the fault passed, outermost first."""
    return [
        f"{Path(frame.filename).relative_to(_ROOT).as_posix()} line {frame.lineno}"
        for frame in traceback.extract_tb(error.__traceback__)
        if frame.filename.startswith(_OURS)
    ]
