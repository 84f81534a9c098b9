"""Which faults may be gone when a step is tried again: those of drives and networks, never of bad data."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Sequence
from typing import TypeVar

from flows.nights.logs import Log
from flows.nights.runs import faceless
from flows.orchestration.orchestrator import DriveFault, Fault, behind
from schemas.errors import DiskError, LakeError, StoreError

T = TypeVar("T")

# What a drive or a network says that may be gone in a minute. A full disk, a missing file or a permission is
# not among them, nor is anything that bad data raises.
_PASSING_WORDS = (
    "EIO EAGAIN EINTR EBUSY ETIMEDOUT ESTALE ENOLINK EREMOTEIO ECOMM EPROTO ENETDOWN ENETUNREACH ENETRESET",
    "ECONNABORTED ECONNRESET ECONNREFUSED ENOTCONN EHOSTDOWN EHOSTUNREACH EPIPE",
)
PASSING = frozenset(
    getattr(errno, word) for words in _PASSING_WORDS for word in words.split() if hasattr(errno, word)
)


def is_passing(error: BaseException | None) -> bool:
    """
    Whether a fault may be gone when the step is tried again.

    An engine that reads the lake raises a bare OSError without a number where a store did not answer; a table
    of the lake that could not be opened is judged by what kept it from being opened.

    Examples
    --------
    >>> is_passing(OSError(errno.EIO, "Input/output error")), is_passing(OSError(errno.ENOSPC, "No space"))
    (True, False)
    >>> is_passing(ValueError("no such unit")), is_passing(TimeoutError("took too long"))
    (False, False)
    """
    while error is not None:
        error = behind(error)
        if isinstance(error, OSError):
            return type(error) is OSError if error.errno is None else error.errno in PASSING
        if isinstance(error, StoreError):
            return error.passing
        error = error.__cause__ if isinstance(error, LakeError | DiskError) else None
    return False


def patiently(run: Callable[[], T], retry_seconds: Sequence[float], log: Log) -> T:
    """
    Run something whole, again after a passing fault; one whose own task has tried it again is not tried more.

    A load or a night that is begun again finishes what it left half-done and passes over what is done.
    """
    for attempt, wait in enumerate(retry_seconds, 1):
        try:
            return run()
        except Exception as error:
            if _tried(error) or not is_passing(error):
                raise
            log.say(
                "retried",
                level="warning",
                step="run",
                attempt=attempt,
                wait_seconds=wait,
                error=faceless(error),
            )
        time.sleep(wait)
    return run()


def _tried(error: BaseException | None) -> bool:
    """Whether it comes from a step whose own task has tried it as often as it may."""
    while error is not None and not isinstance(error, Fault | DriveFault):
        error = error.__cause__
    return error is not None
