"""What each run did, how long it took and how it ended: kept in the private store for `status`."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.exits import DONE, FAILED, SOME_REJECTED, WRONG_CALL
from flows.loading.outcome import again_words
from pipeline.store.durable import write_whole
from schemas.errors import CallError, DrainledgerError

if TYPE_CHECKING:  # whoever only reads what runs left on record writes no log
    from flows.loading.load import Summary
    from flows.loading.outcome import Outcome
    from flows.nights.logs import Log
    from pipeline.store import Home

FILE = "runs.jsonl"  # in the private store: what a fault said can hold names
_KEPT = 500
_MOST_BYTES = 2**20


@dataclass
class Run:
    """
    One load, rebuild or night.

    Parameters
    ----------
    exit
        Its exit status; null while it runs, or where it was killed.
    said
        Its one-line summary, or what the fault said; private.
    seconds
        Step → how long it took.
    """

    kind: str
    started_at: str
    process: int
    run: str = ""
    ended_at: str | None = None
    exit: int | None = None
    said: str = ""
    took_seconds: float | None = None
    seconds: dict[str, float] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)

    @property
    def killed(self) -> bool:
        """Whether it never came to its end though its process is gone."""
        return self.exit is None and not _alive(self.process)


@dataclass
class Recorder:
    """Writes a run down as it goes."""

    log: Log
    record: Run
    _begun: float = field(default_factory=time.monotonic)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Time a step of the run; steps of one name add up."""
        begun = time.monotonic()
        try:
            yield
        finally:
            took = time.monotonic() - begun
            self.record.seconds[name] = round(self.record.seconds.get(name, 0.0) + took, 3)
            self.log.say("step_ended", step=name, seconds=round(took, 3))

    def took(self, outcomes: tuple[Outcome, ...]) -> None:
        """Log what became of files that the run took in."""
        from flows.nights.logs import DIGEST_SIGNS

        for outcome in outcomes:
            if not outcome.digest:
                self.log.say("file_left", level="warning", why="unread")
            elif outcome.status == "rejected":
                self.log.say("file_rejected", level="warning", digest=outcome.digest[:DIGEST_SIGNS])
            else:
                self.log.say(
                    "file_taken",
                    digest=outcome.digest[:DIGEST_SIGNS],
                    rows_kept=outcome.rows_kept,
                    rows_rejected=outcome.rows_rejected,
                    cells_rejected=outcome.cells_rejected,
                )

    def loaded(self, summary: Summary, *, rebuilt: bool = False) -> None:
        """Note how a load, or a rebuild, came out."""
        count = counts_of(summary)
        self.took(summary.new)
        self.record.counts |= count
        said = (
            f"{count['new']} {'files read again' if rebuilt else 'new files'} ({count['rejected']} rejected)"
        )
        if count["unread"]:
            said += f", {count['unread']} could not be read"
        if summary.finished:
            said += f"; {finished_words(count)}"
        if summary.again:
            said += f"; {again_words(summary.again)}"
        said += f"; {count['rows_kept']} rows kept, {count['rows_rejected']} rejected"
        self.ended(DONE if summary.clean or rebuilt else SOME_REJECTED, said)

    def ended(self, exit_status: int, said: str) -> None:
        """Note how the run came out; its time of end is noted when it is left."""
        self.record.exit, self.record.said = exit_status, said


@contextmanager
def recorded(home: Home, kind: str) -> Iterator[Recorder]:
    """
    Put a run on record: that it began, its steps, how it ended; a fault goes on to whoever called.

    A record that cannot be written never stops the run.
    """
    from flows.nights.logs import log_of
    from flows.orchestration.orchestrator import behind

    log = log_of(home.root, kind)
    begun = time.monotonic()
    recorder = Recorder(log, Run(kind, _clock(), os.getpid(), log.run))
    if home.exists():
        _note(home.private, recorder.record)
        log.say("run_began", kind=kind)
    try:
        yield recorder
    except BaseException as raised:
        error = behind(raised)  # a task tells Prefect its class only; the house is told all
        recorder.record.exit = WRONG_CALL if isinstance(error, CallError) else FAILED
        recorder.record.said = _sentence(error)
        if home.exists():
            log.say("fault", level="error", error=faceless(error))
        raise
    finally:
        record = recorder.record
        record.ended_at, record.took_seconds = _clock(), round(time.monotonic() - begun, 3)
        if record.exit is None:
            record.exit = DONE
        if home.exists():
            _note(home.private, record)
            counts: dict[str, Any] = record.counts
            log.say("run_ended", kind=kind, exit=record.exit, seconds=record.took_seconds, **counts)


def counts_of(summary: Summary) -> dict[str, int]:
    """A load in figures, none of which names anything."""
    new = [outcome for outcome in summary.new if outcome.digest]
    unread = sum(not outcome.digest for outcome in summary.outcomes)
    return {
        "new": len(new),
        "known": len(summary.outcomes) - len(new) - unread,
        "rejected": sum(o.status == "rejected" for o in new),
        "unread": unread + len(summary.found.closed),
        "finished": len(summary.finished),
        "read_again": len(summary.again),
        "finished_rows": sum(o.rows_kept for o in summary.finished),
        "rows_kept": sum(o.rows_kept for o in new),
        "rows_rejected": sum(o.rows_rejected for o in new),
        "cells_rejected": sum(o.cells_rejected for o in new),
        "unended": sum(o.wholeness_unsaid for o in new),
        "devices": summary.devices,
        "drains": summary.drains,
        "published": int(summary.published),
    }


def finished_words(count: Mapping[str, int]) -> str:
    """
    What a run finished of one that was killed before it.

    Examples
    --------
    >>> finished_words({"finished": 1, "finished_rows": 840})
    '1 file of a killed load finished (840 rows kept)'
    """
    files = f"{count['finished']} file{'' if count['finished'] == 1 else 's'}"
    return f"{files} of a killed load finished ({count['finished_rows']} rows kept)"


def last_runs(home: Home, most: int) -> list[Run]:
    """The last runs, newest first; lines that cannot be read are passed over."""
    runs: dict[str, Run] = {}
    for line in _lines(home.private / FILE):
        with suppress(ValueError, TypeError, KeyError):
            entry = json.loads(line)
            known = {f.name: entry[f.name] for f in fields(Run) if f.name in entry}
            runs[entry["run"]] = Run(**known)  # the later line of a run says how it ended
    return list(runs.values())[::-1][:most]


def faceless(error: BaseException) -> str:
    """
    A fault by its class and the operating system's word for it: nothing that could hold a name.

    Examples
    --------
    >>> faceless(FileNotFoundError(2, "No such file or directory", "Ada_Example.csv"))
    'FileNotFoundError ENOENT'
    """
    import errno

    word = errno.errorcode.get(error.errno or 0) if isinstance(error, OSError) else None
    return " ".join(part for part in (type(error).__name__, word) if part)


def _sentence(error: BaseException) -> str:
    if isinstance(error, KeyboardInterrupt):
        return "stopped by hand"
    said = " ".join(str(error).split())
    return said if isinstance(error, DrainledgerError) else f"{type(error).__name__}: {said}"


def _note(private: Path, run: Run) -> None:
    path = private / FILE
    line = json.dumps(asdict(run), ensure_ascii=False) + "\n"
    with suppress(OSError):
        if path.exists() and path.stat().st_size > _MOST_BYTES:
            write_whole(path, "".join(_lines(path)[-2 * _KEPT :]).encode())
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        with os.fdopen(handle, "ab") as file:
            file.write(line.encode("utf-8", "backslashreplace"))


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8", errors="replace").splitlines(keepends=True)
    except OSError:
        return []


def _clock() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def as_facts(run: Run) -> Mapping[str, Any]:
    """A run as plain values, for JSON."""
    return asdict(run)
