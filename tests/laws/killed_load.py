"""Run by the tests in a process of its own: a load that kills itself just before or after a write to the store."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pipeline.marts.publish
from pipeline.store import home as home_module
from pipeline.store import journal, lake, vault

_moments = 0


def _count(fatal: int) -> None:
    global _moments
    _moments += 1
    if _moments == fatal:
        os.kill(os.getpid(), signal.SIGKILL)


def _deadly(write: Callable[..., Any], fatal: int) -> Callable[..., Any]:
    def call(*arguments: Any, **options: Any) -> Any:
        _count(fatal)
        result = write(*arguments, **options)
        _count(fatal)
        return result

    return call


def main(root: str, fatal: int, paths: list[str]) -> None:
    """Load, and kill this process at the n-th moment before or after a write; told in full where n is beyond."""
    for owner, name in (
        (lake.Lake, "append"),
        (lake.Lake, "replace"),
        (lake.Lake, "remove"),
        (vault.Vault, "keep"),
        (vault.Vault, "keep_all"),
        (journal, "_write"),
        (journal, "write_all_whole"),
        (os, "replace"),
    ):
        setattr(owner, name, _deadly(getattr(owner, name), fatal))
    from tests.support.homes import load

    load(home_module.Home(Path(root)), [Path(path) for path in paths])
    print(_moments)


if __name__ == "__main__":
    assert pipeline.marts.publish
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3:])
