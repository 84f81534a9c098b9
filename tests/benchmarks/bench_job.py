"""The whole job on the same drains: drainledger beside the plain script of `tests/benchmarks/peer.py`."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.fleet import drainledger, fleet, measured
from tests.benchmarks.rows import Row

DRAINS = 200
TRACES_EVERY_MIN = 5


def rows() -> Iterator[Row]:
    """From exported logs with traces to one row a drain, each in a process of its own, once."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        given = fleet(folder / "fleet", DRAINS, traces_every_min=TRACES_EVERY_MIN)
        registry = given.registries[0].parent
        ours = drainledger(folder / "home", "load", given.logs, registry, "--json")
        script = [sys.executable, "-W", "ignore", "-m", "tests.benchmarks.peer"]
        peer = measured([*script, str(given.logs), str(registry), str(folder / "drains.csv")])
    # The script is one thread, so on a machine that others use its processor's time is the nearer to its own.
    peer_seconds = min(peer.seconds, peer.processor)
    detail = f"{DRAINS} drains, a 30 s trace every {TRACES_EVERY_MIN} minutes: "
    yield Row(
        "the whole job: time",
        peer_seconds / ours.seconds,
        "x faster",
        "pandas + SciPy + neurokit2, tests/benchmarks/peer.py",
        at_least=30,
        detail=detail + f"{ours.seconds:.1f} against {peer.seconds:.0f} s; processor {ours.processor:.0f} "
        f"against {peer.processor:.0f} s",
    )
    yield Row(
        "the whole job: peak memory",
        ours.peak_mib / peer.peak_mib,
        "x",
        "the same script",
        detail=f"{ours.peak_mib:.0f} against {peer.peak_mib:.0f} MiB",
    )
