"""`make audit`: known holes of the pinned dependencies; says so where nobody could be asked."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

LOCK = Path(__file__).parent.parent.parent / "requirements.lock"
CLEAN, HOLES, NOT_ASKED = 0, 1, 3


@dataclass(frozen=True)
class Audit:
    """How many dependencies an advisory service knew, and `name version: advisory` of each hole."""

    asked: int
    known: int
    holes: tuple[str, ...]

    @property
    def status(self) -> int:
        """Exit status: 0 no known hole, 1 holes, 3 nobody could be asked about some."""
        return HOLES if self.holes else CLEAN if self.known == self.asked and self.asked else NOT_ASKED

    def said(self) -> str:
        """What came of it, for people."""
        if self.holes:
            return "\n".join(self.holes)
        if self.known == 0:
            return (
                f"No advisory service could be reached: none of {self.asked} pinned dependencies was looked "
                "at, so nothing is known, right or wrong. Run `make audit` where the index of Python packages can be reached."
            )
        if self.known < self.asked:
            missed = self.asked - self.known
            return f"No known hole in {self.known} dependencies; {missed} could not be looked up."
        return f"No known hole in any of {self.asked} pinned dependencies."


def read(answer: dict[str, Any]) -> Audit:
    """What pip-audit's JSON says; a dependency it skipped was not looked at, whatever its exit status."""
    every = answer["dependencies"]
    holes = [
        f"{one['name']} {one['version']}: {hole['id']}, mended in {', '.join(hole['fix_versions']) or 'none yet'}"
        for one in every
        for hole in one.get("vulns", ())
    ]
    return Audit(len(every), sum("skip_reason" not in one for one in every), tuple(holes))


def ask() -> Audit:
    """Ask about everything in requirements.lock."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pip_audit",
            "-r",
            str(LOCK),
            "--require-hashes",
            "--disable-pip",
            "-f",
            "json",
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    try:
        return read(json.loads(done.stdout))
    except ValueError:  # no answer at all: the service did not
        pinned = [line for line in LOCK.read_text(encoding="utf-8").splitlines() if "==" in line]
        return Audit(len(pinned), 0, ())


if __name__ == "__main__":
    audit = ask()
    print(audit.said())
    sys.exit(audit.status)
