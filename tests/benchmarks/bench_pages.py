"""The cohort's page of 1 000 drains: how large it is, how long it takes to write, and to be ready in a browser."""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.fleet import drainledger, fleet
from tests.benchmarks.rows import Row
from tests.pages.chromium import installed, started
from tests.pages.opened import Opened

DRAINS = 1000
ROUNDS = 5
MOST_MB, MOST_SECONDS = 5.0, 2.0


def rows() -> Iterator[Row]:
    """The page as the command writes it; ready is when its last chart is drawn, by the browser's own clock."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        given = fleet(folder / "fleet", DRAINS, traces_every_min=None)
        home, out = folder / "home", folder / "report"
        drainledger(home, "load", given.logs, given.registries[0].parent)
        written = [drainledger(home, "report", "--out", out, "--most", "0") for _ in range(ROUNDS)]
        seconds = statistics.median(run.seconds for run in written)
        page = out / "index.html"
        size = page.stat().st_size / 1e6
        nothing = "nothing: a limit of our own"
        yield Row(
            "cohort page: written",
            seconds,
            "s",
            nothing,
            detail=f"{DRAINS} drains; processor {statistics.median(run.processor for run in written):.1f} s",
        )
        yield Row("cohort page: size", size, "MB", nothing, at_most=MOST_MB, detail=f"{DRAINS} drains")
        chromium = installed()
        if chromium is None:
            print("no chromium on this machine: how long the page takes to be ready is not measured")
            return
        ready, usable, charts = opened(chromium, page)
        yield Row(
            "cohort page: ready, every chart drawn",
            ready,
            "s",
            nothing,
            at_most=MOST_SECONDS,
            detail=f"{DRAINS} drains, {charts} charts; its text and tables could be read after {usable:.2f} s",
        )


def opened(chromium: str, page: Path) -> tuple[float, float, int]:
    """Seconds from opening to the last chart and to the first paint, medians; and how many charts there are."""
    ready, painted, charts = [], [], 0
    with started(chromium) as browser:
        for _ in range(ROUNDS):
            one = Opened(browser, page)
            ready.append(one.page.evaluate("performance.getEntriesByName('drawn')[0].startTime") / 1000)
            painted.append(
                one.page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
                / 1000
            )
            charts = len(one.charts)
            one.close()
    return statistics.median(ready), statistics.median(painted), charts
