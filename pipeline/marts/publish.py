"""Publish: a new database is built beside the old one and takes its place in one step."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import polars as pl

from pipeline.marts.build import build
from pipeline.store import moments
from pipeline.store.durable import flush_folder
from pipeline.store.moments import Moment
from schemas.errors import LedgerError

if TYPE_CHECKING:
    from pipeline.definitions import Definitions

_READ_ONLY = 0o444


def publish(
    target: Path,
    frames: Mapping[str, pl.DataFrame],
    course_files: Sequence[str],
    definitions: Definitions,
) -> None:
    """
    Build the database that people query, and put it in the place of the one before.

    The new file is built in a folder of its own beside the target, checkpointed, closed, flushed to
    the disk, made read-only and renamed over the target. A reader that has the old file open keeps
    reading the old one; whoever opens it next sees the new one whole. If anything fails on the way the
    old file stays as it was. What a killed build left behind is swept by the next; one build at a time
    is the caller's promise (the home's lock).

    Parameters
    ----------
    target
        Where the database stands, e.g. `ledger/drainledger.duckdb`. Its folder must exist.
    frames
        Every table of `build.GIVEN` by name: the published ones that are no views, and `use` and `use_alert`
        (all uses; from these `device_use` is made). Each must fit its contract exactly.
    course_files
        Absolute paths of the lake's course files now in force, for the view `minute`; may be empty.
    definitions
        Thresholds for the views; kept in the database as `definition`.

    Raises
    ------
    LedgerError
        When a frame is missing or breaks its contract, or the database cannot be written.
    """
    _sweep(target)
    try:
        place = Path(tempfile.mkdtemp(prefix=_prefix(target), dir=target.parent))
    except OSError as error:
        raise LedgerError(
            f"{target.parent}: the database cannot be built there ({error.strerror}); "
            "make the folder writable."
        ) from error
    try:
        built = place / target.name
        build(built, frames, course_files, definitions)
        built.chmod(_READ_ONLY)
        _flush(built)
        moments.passed(Moment.BUILT)
        _stale_log(target).unlink(missing_ok=True)
        built.replace(target)
        flush_folder(target.parent)
        moments.passed(Moment.SWAPPED)
    except (OSError, duckdb.Error) as error:
        raise LedgerError(
            f"{target.name}: the new database could not be built and the old one stays "
            f"({_first_line(error)}); mend that and load again."
        ) from error
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _prefix(target: Path) -> str:
    return f".{target.name}.building-"


def _sweep(target: Path) -> None:
    for leftover in sorted(target.parent.glob(f"{_prefix(target)}*")):
        shutil.rmtree(leftover, ignore_errors=True)


def _stale_log(target: Path) -> Path:
    # A log left by something killed while writing would be replayed into the new file, and nobody
    # could open it. The published file is never written in place, so such a log is always stale.
    return target.with_name(target.name + ".wal")


def _flush(path: Path) -> None:
    """Have the file on the disk before the next step relies on it."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
