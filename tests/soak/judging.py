"""What must hold of whatever is given to be read: an answer, in bounded time, with every row accounted for."""

from __future__ import annotations

import re
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import polars as pl

from flows.loading.reading import is_private, kind_of
from flows.loading.request import Request
from pipeline.cohort import read_annotations, read_registry
from schemas.lake import REJECTED_ROW, REJECTED_VALUE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from tests.ingest.drain_logs import DEFINITIONS, PROFILES, read

SECONDS = 60  # of computing, however busy the machine; far beyond what any mutant takes
REQUEST = Request(PROFILES, DEFINITIONS)
_PUBLIC_SHAPE = re.compile(r"[^0-8b-zB-Z]*")  # digits are 9, letters a or A


class Hung(Exception):
    """Reading did not end."""


def judge(name: str, data: bytes) -> str:
    """
    Read a file as a load would and hold the answer to its contract; returns what became of it.

    Raises
    ------
    AssertionError, Hung, or whatever the reading raised: the mutant survived nothing, the reader did not.
    """
    with _at_most(SECONDS):
        kind = kind_of(data)
        is_private(data, kind, REQUEST)
        if kind == "log":
            answer = read(data, name)
            rejected, file = answer.rejected, answer.file
        else:
            table = REGISTRY_DRAIN if kind == "registry" else ANNOTATION
            found = read_registry(data) if kind == "registry" else read_annotations(data)
            table.validate(found.rows)
            REJECTED_ROW.validate(found.rejected)
            REJECTED_VALUE.validate(found.rejected_values)
            rejected, file = found.rejected, found.file
            assert file["rows_kept"] == found.rows.height
            assert file["rows_read"] == file["rows_kept"] + file["rows_rejected"]
            rows = rejected.filter(pl.col("scope") == "row")["line"].n_unique()
            assert file["rows_rejected"] == rows, f"{file['rows_rejected']} rows rejected, {rows} recorded"
    for shape in rejected["value_shape"].drop_nulls().unique():
        assert not re.search(r"[0-8]", shape), f"a value's digits show in {shape!r}"
    return f"{kind} {file['status']}"


@contextmanager
def _at_most(seconds: int) -> Iterator[None]:
    def stop(_: int, __: FrameType | None) -> None:
        raise Hung(f"not read within {seconds} s of computing")

    began = time.process_time()
    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)
    taken = time.process_time() - began
    if taken > seconds:  # within foreign code the signal waits for its end
        raise Hung(f"read only after {taken:.0f} s of computing")
