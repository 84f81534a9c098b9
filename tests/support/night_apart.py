"""
One night as a Prefect flow in a process of its own, with a fault put into it: `python -m tests.support.night_apart`.

The argument is JSON: `home` and the fields of the night's settings; `faults`, what taking files in meets
before it works (`EIO`, `ENOSPC`: an OSError naming `at`; any other text: an InputError of that text; a
number: it sleeps for so many seconds first); `locked`, whether somebody else holds the home meanwhile.
Prints JSON: `new`, how many files were new, or `raised` and `said`, what whoever called was told.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from flows.nights.night_settings import NightSettings
from flows.orchestration import orchestrator
from pipeline.store import Home
from schemas.errors import InputError


def main(asked: dict[str, Any]) -> dict[str, Any]:
    """Run it, and say how it went."""
    home = Home(Path(asked["home"]))
    orchestrator.prepare(home.root)
    from flows.orchestration import prefect_tasks
    from flows.orchestration.prefect_nightly import night_under_prefect

    prefect_tasks.take_in = _failing(asked.get("faults", []), asked.get("at", ""), prefect_tasks.take_in)
    settings = NightSettings.model_validate(asked["settings"])
    with home.locked() if asked.get("locked") else contextlib.nullcontext():
        try:
            return {"new": night_under_prefect(home, settings).counts["new"]}
        except Exception as error:
            return {"raised": [kind.__name__ for kind in type(error).__mro__], "said": str(error)}


def _failing(faults: list[str | float], at: str, then: Callable[..., Any]) -> Callable[..., Any]:
    left = list(reversed(faults))

    def take_in(*arguments: Any) -> Any:
        if left:
            fault = left.pop()
            if not isinstance(fault, str):
                time.sleep(fault)
            elif hasattr(errno, fault):
                number = getattr(errno, fault)
                raise OSError(number, os.strerror(number), at)
            else:
                raise InputError(fault)
        return then(*arguments)

    return take_in


if __name__ == "__main__":
    print(json.dumps(main(json.loads(sys.argv[1]))))
