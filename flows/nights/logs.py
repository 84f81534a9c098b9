"""
What happened, one line of JSON an event, for whoever watches the nights by program.

The lines go to `logs/drainledger.jsonl` in the home, readable by its owner alone and rotated, and on
request to standard error. An event has a name from `EVENTS` and fields from `FIELDS`, nothing else: there
is no field for a name, a path, a key or a message, so none can slip in. What a fault said in full lies in
the private store.
"""

from __future__ import annotations

import logging
import os
import sys
from collections.abc import MutableMapping
from dataclasses import dataclass, field
from functools import cached_property
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any
from uuid import uuid4

FOLDER = "logs"  # in the home
FILE = "drainledger.jsonl"
MOST_BYTES = 5 * 2**20
KEPT_FILES = 5
DIGEST_SIGNS = 12

EVENTS: dict[str, str] = {
    "run_began": "a load, rebuild or night began",
    "landing_looked_at": "the landing folder was looked through",
    "file_left": "a file stays for the next run, or cannot be read, or is no file",
    "file_taken": "the ledger took a file in",
    "file_rejected": "the ledger keeps a file's bytes and could not read them",
    "rules_broken": "which rules this night's files broke: whole files, rows and cells",
    "step_ended": "a step is over",
    "retried": "a step met a passing fault of a drive and is tried again",
    "landing_cleared": "files the ledger holds left the landing folder",
    "report_written": "the report was written",
    "orchestrator_missing": "no Prefect server could be reached or started; the run went on without",
    "served": "a schedule is being kept",
    "serving_ended": "the schedule is no longer kept",
    "fault": "the run failed; what it said in full is in private/last-fault.txt",
    "run_ended": "the run is over",
}
FIELDS: dict[str, str] = {
    "run": "which run; the same on all its lines",
    "kind": "load, rebuild, nightly or serve; of a file: log, registry or annotations",
    "step": "take_in, compute_devices, compute_drains, publish, look, report, clear; run: the whole of it",
    "seconds": "how long it took",
    "wait_seconds": "how long is waited before the next try",
    "attempt": "how often it was tried, this time included",
    "exit": "exit status: 0 done, 1 some input rejected, 2 wrong call, 3 failed",
    "error": "class of the fault, with the word of the operating system where there is one",
    "digest": "first digits of the file's SHA-256; `drainledger status` tells its name",
    "why": "one word",
    "rules": "rule → how often this night's files broke it",
    "files": "how many files",
    "new": "files the ledger had not held or not read before",
    "unchanged": "files in the landing folder that lie as a run before left them",
    "litter": "what file managers, editors and drives left in the landing folder: passed over, on no record",
    "known": "files whose bytes the ledger held already; of a night, the unchanged ones among them",
    "left": "files left for the next run",
    "rejected": "files rejected",
    "unread": "files and folders that could not be read",
    "read_again": "files of the ledger read again: their profile, or what reads, has changed since",
    "finished": "files that a killed load had left half-written and this run finished",
    "finished_rows": "rows kept of those",
    "rows_kept": "rows kept",
    "rows_rejected": "rows rejected",
    "cells_rejected": "cells made null",
    "unended": "new logs without an end line: nothing tells whether they are whole",
    "devices": "devices computed",
    "drains": "drains summarised",
    "published": "whether the database was made anew",
    "cron": "when the schedule runs",
    "zone": "IANA time zone of the schedule",
}
_OURS = frozenset({"event", "level", "at"})


class UnknownEvent(KeyError):
    """An event or a field that is not on the list: a slip of the program, found by the tests."""


@dataclass(frozen=True)
class Log:
    """
    The log of one run.

    Examples
    --------
    >>> Log(None, "load").say("file_taken", name="Ada_Example.csv")
    Traceback (most recent call last):
    flows.nights.logs.UnknownEvent: 'file_taken: name'
    """

    folder: Path | None
    kind: str
    run: str = field(default_factory=lambda: uuid4().hex[:12])
    aloud: bool = False  # on standard error too

    def say(self, event: str, *, level: str = "info", **fields: Any) -> None:
        """Write an event; a log that cannot be written never stops a run."""
        self._lines.log(_LEVELS[level], event, run=self.run, **fields)

    @cached_property
    def _lines(self) -> Any:
        import structlog  # here: half of the time `status` takes, which only reads

        return structlog.wrap_logger(
            _Sink(self.folder, self.aloud or wanted_aloud()),
            processors=[
                _only_what_is_listed,
                structlog.processors.add_log_level,
                structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
                structlog.processors.EventRenamer("event"),
                structlog.processors.JSONRenderer(sort_keys=True),
            ],
            wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
            cache_logger_on_first_use=False,
        )


def log_of(home: Path, kind: str) -> Log:
    """The log of a run on this home."""
    return Log(home / FOLDER, kind)


def wanted_aloud() -> bool:
    """Whether events go to standard error too: asked for, and nobody sits at a terminal there."""
    return os.environ.get("DRAINLEDGER_LOG") == "json" and not sys.stderr.isatty()


_LEVELS = {"info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}


def _only_what_is_listed(
    logger: Any, method: str, event: MutableMapping[str, Any]
) -> MutableMapping[str, Any]:
    if event["event"] not in EVENTS:
        raise UnknownEvent(str(event["event"]))
    if strange := sorted(set(event) - set(FIELDS) - _OURS):
        raise UnknownEvent(f"{event['event']}: {', '.join(strange)}")
    return event


class _Sink:
    """Takes finished lines: to the rotated file, and to standard error where asked."""

    def __init__(self, folder: Path | None, aloud: bool) -> None:
        self._folder, self._aloud = folder, aloud

    def msg(self, line: str) -> None:
        if self._aloud:
            print(line, file=sys.stderr, flush=True)
        if self._folder is None:
            return
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
            handler = _Rotated(
                self._folder / FILE, maxBytes=MOST_BYTES, backupCount=KEPT_FILES, encoding="utf-8", delay=True
            )
            try:
                handler.handle(logging.makeLogRecord({"msg": "%s", "args": (line,)}))
            finally:
                handler.close()
        except OSError:  # a full disk or a home that cannot be written: the run says so itself
            return

    log = debug = info = warning = error = critical = msg


class _Rotated(RotatingFileHandler):
    """Opened anew for each line, so that two processes never write to a file that was rotated away."""

    def _open(self) -> TextIOWrapper:
        handle = os.open(self.baseFilename, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        return os.fdopen(handle, "a", encoding="utf-8")

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        """Say nothing: the run's own outcome is what counts."""
