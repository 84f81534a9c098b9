"""What processes that died left behind in a home: found, and taken away by whoever holds the lock."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.store import moments
from pipeline.store.durable import PASSING, alive
from pipeline.store.moments import Moment

# The process number in a passing name: `NAME.123.part`, `secret.123`, `verify-123`.
_PROCESS = re.compile(rf"[.-](\d+)(?:{re.escape(PASSING)})?$")
# What the lake's own writer uses until a file is whole: `NAME.parquet#1`, `_commit_….json.tmp`.
_LAKE_PASSING = ("*.parquet#*", "_delta_log/*#*", "_delta_log/*.tmp")


@dataclass(frozen=True)
class Leftover:
    """Something a dead process left: a file, or a folder with all that is in it, and its bytes."""

    path: Path
    size: int


def leftovers(root: Path) -> Iterator[Leftover]:
    """
    What dead processes left in the home at `root`, in order; reads only.

    Names that carry the number of a process that lives are passed over: it may still be writing, without
    the lock (an extract's note, a verification's room). Where a number was merely given out again, the next
    look finds what is left. Half-built databases and the lake's passing files are written under the lock
    alone, so to whoever holds it they are stale whatever their name.
    """
    private = root / "private"
    named = [
        *_below(root / "raw", f"*{PASSING}"),
        *_below(private, f"*{PASSING}"),
        *_within(private, "secret.*"),
        *_within(private, "verify-*"),
    ]
    found = [path for path in named if not _belongs_to_the_living(path)]
    found += _within(root, ".*.building-*")
    found += _within(root, "*.duckdb.wal")
    for lake in (root / "lake", private / "lake"):
        found += [path for pattern in _LAKE_PASSING for path in _below(lake, pattern)]
    for path in sorted(set(found)):
        yield Leftover(path, _size(path))


def sweep(root: Path) -> list[Leftover]:
    """
    Take away what dead processes left; holding the home's lock is the caller's to see to.

    Raises
    ------
    OSError
        When something cannot be taken away.
    """
    swept = list(leftovers(root))
    for leftover in swept:
        if leftover.path.is_dir():
            shutil.rmtree(leftover.path, ignore_errors=True)
        else:
            leftover.path.unlink(missing_ok=True)
        moments.passed(Moment.SWEPT)
    return swept


def _below(folder: Path, pattern: str) -> list[Path]:
    return list(folder.rglob(pattern)) if folder.is_dir() else []


def _within(folder: Path, pattern: str) -> list[Path]:
    return list(folder.glob(pattern)) if folder.is_dir() else []


def _belongs_to_the_living(path: Path) -> bool:
    found = _PROCESS.search(path.name)
    return found is not None and alive(int(found[1]))


def _size(path: Path) -> int:
    files = path.rglob("*") if path.is_dir() else [path]
    return sum(file.lstat().st_size for file in files if file.is_file())
