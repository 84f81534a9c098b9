"""
A Python module run so that it ends with whoever started it, even where that one is killed outright.

Run as `python -m flows.nights.tied PROCESS MODULE ARGUMENTS…`. Linux sends the signal by itself; elsewhere
it is left to the caller to end what it started.
"""

from __future__ import annotations

import ctypes
import os
import runpy
import signal
import sys

_SET_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG of prctl(2)


def tied_command(module: str, *arguments: str) -> list[str]:
    """The command that runs a module tied to this process."""
    return [sys.executable, "-m", "flows.nights.tied", str(os.getpid()), module, *arguments]


def _tie(parent: int) -> None:
    """Ask for a SIGTERM at the death of the parent, and end at once where it is dead already."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_SET_DEATH_SIGNAL, int(signal.SIGTERM), 0, 0, 0)
    if os.getppid() != parent:
        sys.exit(0)


if __name__ == "__main__":
    _tie(int(sys.argv[1]))
    sys.argv = sys.argv[2:]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)
