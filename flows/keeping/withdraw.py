"""Files taken out of everything derived, on purpose, and taken back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from flows.keeping.withdrawals import Withdrawal as Withdrawal
from flows.keeping.withdrawals import withdrawals as withdrawals
from flows.loading.intake import known_reading
from flows.loading.load import Progress, Summary, at_work, compute_and_publish, silent
from flows.loading.meaning import find_file
from flows.loading.outcome import Outcome
from flows.loading.request import Request
from flows.loading.reread import read_due
from flows.loading.writing import read_again
from pipeline.store import Home
from pipeline.store.journal import Reading
from schemas.errors import CallError

_WHY_MOST = 1000


def run_withdraw(
    home: Home, which: Sequence[str], why: str, request: Request, now: datetime, progress: Progress = silent
) -> Summary:
    """
    Take files out of everything derived; each keeps its record, its bytes and its rows as loaded.

    A log's minutes no longer count, a registry's or an annotation file's rows no longer stand; what rested
    on them is computed again and nothing else. Minutes that another export covers stay. The reason is kept in
    the private store, for it may say whose file it was; published are the status and the day.

    Killed at any moment, the next command finishes it or finds that it never began.

    Raises
    ------
    CallError
        When a name means no file or several, the reason is missing, or a file is withdrawn already.
    """
    why = " ".join(why.split())
    if not why or len(why) > _WHY_MOST:
        raise CallError(f"withdraw: --why takes a reason of 1 to {_WHY_MOST} signs; say why.")
    with at_work(home, request, now) as finished:
        readings = _named(home, which)
        for reading in readings:
            if reading.withdrawn_on is not None:
                raise CallError(f"withdraw: file {reading.digest[:12]}… is withdrawn already; nothing to do.")
        day = now.astimezone(UTC).date().isoformat()
        out = [replace(reading, withdrawn_on=day, why=why) for reading in readings]
        return _put(home, out, finished, request, now, progress)


def run_take_back(
    home: Home, which: Sequence[str], request: Request, now: datetime, progress: Progress = silent
) -> Summary:
    """
    Let withdrawn files count again, as if they had never been withdrawn.

    Raises
    ------
    CallError
        When a name means no file or several, or one that is not withdrawn.
    """
    with at_work(home, request, now) as finished:
        readings = _named(home, which)
        for reading in readings:
            if reading.withdrawn_on is None:
                raise CallError(f"withdraw: file {reading.digest[:12]}… is not withdrawn; nothing to undo.")
        back = [replace(reading, withdrawn_on=None, why=None) for reading in readings]
        return _put(home, back, finished, request, now, progress)


def _named(home: Home, which: Sequence[str]) -> list[Reading]:
    if not which:
        raise CallError("withdraw: no file given; name one by the first digits of its digest or its name.")
    return [known_reading(home, digest) for digest in sorted({find_file(home, name) for name in which})]


def _put(
    home: Home,
    readings: Sequence[Reading],
    finished: Sequence[Outcome],
    request: Request,
    now: datetime,
    progress: Progress,
) -> Summary:
    outcomes = read_again(home, readings, request.plain, now)
    again = read_due(home, request, now)
    done = compute_and_publish(home, request, now, progress)
    return Summary(tuple(outcomes), tuple(finished), *done, again=tuple(again))
