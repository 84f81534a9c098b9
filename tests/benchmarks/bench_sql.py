"""Questions on a published database of 10 000 drains, each in a fresh process, and the publishing of it."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from pipeline.definitions import load_definitions
from pipeline.marts import publish
from pipeline.marts.build import GIVEN
from shared import SHARED
from tests.benchmarks.rows import Row
from tests.marts.busy_ward import busy_ward
from tests.marts.conftest import rows_of

DRAINS = 10_000
ROUNDS = 7
MOST_MS = 100
# The file is opened first, and a trivial question makes the process ready; then the question is asked once.
_ASKING = """
import sys, time, duckdb
asked = duckdb.connect(sys.argv[1], read_only=True)
asked.execute("SET enable_progress_bar = false")  # on a busy machine it would stand before the figure
asked.execute("SELECT 1").fetchall()
query = open(sys.argv[2]).read()
start = time.perf_counter()
asked.execute(query).fetchall()
print(time.perf_counter() - start)
"""
_QUESTIONS = {
    "prolonged_leak_by_ward_and_month": MOST_MS,
    "months_outside_their_limits": None,
    "wards_beside_the_funnel": None,
    "alarms_left_ringing_by_ward": None,
    "suspected_occlusions_by_ward": None,
    "longest_after_ready_by_ward": None,
    "removal_by_weekday": None,
}


def rows() -> Iterator[Row]:
    """Milliseconds of each question, median of fresh processes; seconds of publishing, and the file's size."""
    tables = {t.name: t for t in GIVEN}
    frames = {name: table.empty() for name, table in tables.items()}
    for name, found in busy_ward(1, DRAINS).items():
        frames[name] = rows_of(tables[name], found)
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "drainledger.duckdb"
        start = time.perf_counter()
        publish(target, frames, [], load_definitions())
        seconds = time.perf_counter() - start
        sizes = {name: frame.height for name, frame in frames.items() if frame.height}
        size = f"{target.stat().st_size / 1e6:.0f} MB; rows: {json.dumps(sizes)}"
        yield Row(f"publish {DRAINS} drains", seconds, "s", "", detail=size)
        for question, most in _QUESTIONS.items():
            file = SHARED / "sql" / f"{question}.sql"
            command = [sys.executable, "-I", "-c", _ASKING, str(target), str(file)]
            told = [
                float(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
                for _ in range(ROUNDS)
            ]
            detail = f"fresh process after opening; {min(told) * 1000:.0f} to {max(told) * 1000:.0f}"
            middle = statistics.median(told) * 1000
            yield Row(question.replace("_", " "), middle, "ms", "", at_most=most, detail=detail)
