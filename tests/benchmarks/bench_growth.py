"""How time and memory of a load grow with the number of drains, stage by stage, with traces and without."""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

from tests.benchmarks.fleet import copies, fleet, staged
from tests.benchmarks.rows import Row

SIMULATED = 100  # drains; larger fleets are copies of these under other serials and keys
TRACES_EVERY_MIN = 5
# How often the simulated drains are copied. GROWTH_MOST=1000 leaves the largest out, for a quick look, and
# GROWTH_TRACED_MOST=100 of those with traces alone; 0: none of these.
ENVELOPE, TRACED = (1, 10, 100), (1, 10)
MOST_SLOPE, MOST_TIME, MOST_MEMORY, MOST_GIB = 1.05, 11.0, 2.0, 6.0


def rows() -> Iterator[Row]:
    """Each size loaded once into an empty home, in a process of its own."""
    most = int(os.environ.get("GROWTH_MOST", SIMULATED * ENVELOPE[-1]))
    yield from _grown("envelope only", None, [n for n in ENVELOPE if SIMULATED * n <= most])
    yield from _grown(
        f"a 30 s trace every {TRACES_EVERY_MIN} minutes",
        TRACES_EVERY_MIN,
        [n for n in TRACED if SIMULATED * n <= int(os.environ.get("GROWTH_TRACED_MOST", most))],
    )


def _grown(kind: str, every: int | None, times: list[int]) -> Iterator[Row]:
    if not times:
        return
    sizes = [SIMULATED * n for n in times]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        given = fleet(folder / "fleet", SIMULATED, traces_every_min=every)
        points: list[dict[str, Any]] = []
        for n, size in zip(times, sizes, strict=True):
            made = copies(given, folder / "copies", n)
            found = staged(folder / "home", made.logs, made.registry)
            points.append({"asked": size, "raw_bytes": made.bytes_raw, **found})
            shutil.rmtree(folder / "copies")
            shutil.rmtree(folder / "home")
            print(f"  {size} drains, {kind}: {_told(points[-1])}", flush=True)
    nothing = "nothing: a limit of our own"
    for before, after in pairwise(points):
        sized = f"{before['asked']} to {after['asked']} drains, {kind}"
        yield Row(
            f"10 x the drains: time ({sized})",
            after["seconds"] / before["seconds"],
            "x",
            f"{before['asked']} drains",
            at_most=MOST_TIME,
            detail=f"{before['seconds']:.1f} and {after['seconds']:.1f} s",
        )
        # The least process already holds the libraries; what may grow is what a setting bounds.
        yield Row(
            f"10 x the drains: peak memory ({sized})",
            after["peak_mib"] / before["peak_mib"],
            "x",
            f"{before['asked']} drains",
            at_most=MOST_MEMORY,
            detail=f"{before['peak_mib']:.0f} and {after['peak_mib']:.0f} MiB",
        )
    if len(points) > 1:
        yield Row(
            f"growth of the time: slope ({kind})",
            slope(sizes, [point["seconds"] for point in points]),
            "",
            "the same load of fewer drains",
            at_most=MOST_SLOPE,
            detail=f"least squares over the logarithms of {len(points)} sizes",
            data={"kind": kind, "points": points},
        )
    last = points[-1]
    large = last["asked"] == SIMULATED * ENVELOPE[-1]
    yield Row(
        f"{last['asked']} drains loaded, {kind}: peak memory",
        last["peak_mib"] / 1024,
        "GiB",
        nothing,
        at_most=MOST_GIB if large else None,
        detail=_told(last),
    )
    yield Row(
        f"{last['asked']} drains loaded, {kind}: time",
        last["seconds"] / 60,
        "min",
        nothing,
        detail=f"{last['minutes']} minutes of {last['devices']} devices from {last['files']} files; processor "
        f"{last['processor'] / 60:.1f} min",
    )


def _told(point: dict[str, Any]) -> str:
    stages = "; ".join(
        f"{name} {stage['seconds']:.1f} s, {stage['peak_mib']:.0f} MiB"
        for name, stage in point["stages"].items()
    )
    return f"{point['seconds']:.1f} s, {point['peak_mib']:.0f} MiB ({stages})"


def slope(sizes: list[int], seconds: list[float]) -> float:
    """
    By which power of the size the time grows: least squares over the logarithms.

    >>> round(slope([100, 1000, 10000], [2.0, 20.0, 200.0]), 3)
    1.0
    """
    xs, ys = [math.log(x) for x in sizes], [math.log(y) for y in seconds]
    middle, height = sum(xs) / len(xs), sum(ys) / len(ys)
    across = sum((x - middle) * (y - height) for x, y in zip(xs, ys, strict=True))
    return across / sum((x - middle) ** 2 for x in xs)
