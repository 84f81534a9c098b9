"""Ctrl-C ends a command even where the engine does not look up from its work."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from flows.exits import INTERRUPTED

_PATIENCE_SECONDS = 3.0


@contextmanager
def stoppable(said: str) -> Iterator[None]:
    """
    What runs within is interrupted by Ctrl-C, and if it has not stopped some seconds later the process ends.

    Most work stops when asked. One expression over a very long list, say, is computed in a single step in
    which nobody asks.

    Parameters
    ----------
    said
        The sentence that is said when the process ends so.
    """
    if threading.current_thread() is not threading.main_thread():
        yield  # signals go to the main thread alone
        return
    last = threading.Timer(_PATIENCE_SECONDS, _end, [said])
    last.daemon = True

    def stop(number: int, frame: FrameType | None) -> None:
        if not last.is_alive() and last.ident is None:
            last.start()
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGINT, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        last.cancel()


def _end(said: str) -> None:
    print(said, file=sys.stderr, flush=True)
    os._exit(INTERRUPTED)
