"""One drain's page: its size, how soon it is drawn in Chromium and how fast it zooms; 9 and 30 days."""

from __future__ import annotations

import random
import re
import shutil
import statistics
import tempfile
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from pipeline.report.drain_page import drain_page
from tests.benchmarks.rows import Row
from tests.course.bedside import NOON, Use, at, course_as_told
from tests.support.told_drain import ToldDrain

_DAY = 1440
_SCRIPT = re.compile(r"<script>.*?</script>", re.S)
_CLICK = """async (name) => {
  const button = document.querySelector(`button[data-go=${name}]`), t = performance.now();
  button.click();
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  return performance.now() - t;
}"""
_ALONE = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


def rows() -> Iterator[Row]:
    """Pages of noisy drains with a trace every tenth minute, tilt, coughs, pauses and a hole."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        chromium = shutil.which("chromium") or shutil.which("chromium-browser")
        browser = playwright.chromium.launch(executable_path=chromium, args=_ALONE)
        for days, most in ((9, 2.0), (30, None)):
            drain = _noisy(days)
            took, html = _written(drain)
            path = Path(folder) / f"{days}.html"
            path.write_text(html, encoding="utf-8")
            size = len(_SCRIPT.sub("", html).encode()) / 1e6
            minutes = f"{days * _DAY:,} minutes"
            peer = "what a reader on a ward's computer waits for: our judgement"
            whole = (
                f"{minutes}; {len(html.encode()) / 1e6:.2f} MB with the libraries; written in {took:.2f} s"
            )
            yield Row(
                f"page of a {days}-day drain, without libraries", size, "MB", peer, at_most=most, detail=whole
            )
            drawn, redraws = _opened(browser, path)
            yield Row(
                f"opened to drawn, {days} days",
                drawn,
                "s",
                peer,
                at_most=2.0,
                detail=f"{minutes}; median of 3",
            )
            shown = ", ".join(f"{ms:.0f}" for ms in redraws)
            yield Row(
                f"a zoom drawn, {days} days",
                statistics.median(redraws),
                "ms",
                peer,
                at_most=200.0,
                detail=f"median of {len(redraws)} clicks until painted: {shown}",
            )
        browser.close()


def _opened(browser: Browser, path: Path) -> tuple[float, list[float]]:
    """Seconds from opening to drawn (median of three), and milliseconds of each zoom."""
    starts: list[float] = []
    redraws: list[float] = []
    for _ in range(3):
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(path.as_uri())
        page.wait_for_function("() => document.documentElement.dataset.strip === 'ready'")
        starts.append(float(page.evaluate("() => document.getElementById('strip').dataset.ready")) / 1000)
        redraws += _zooms(page)
        page.close()
    return statistics.median(starts), redraws


def _zooms(page: Page) -> list[float]:
    return [page.evaluate(_CLICK, name) for name in ("closer", "later", "closer", "wider", "whole")]


def _written(drain: ToldDrain) -> tuple[float, str]:
    drain_page(drain, drain.drain_id)  # so that libraries are imported and bundled
    start = time.perf_counter()
    html = drain_page(drain, drain.drain_id)
    return time.perf_counter() - start, html


def _noisy(days: int) -> ToldDrain:
    n = days * _DAY
    chance = random.Random(days)
    leak = [max(0.0, round(chance.gauss(120 * (1 - t / n), 25), 1)) for t in range(n)]
    mean = [round(chance.gauss(-19.8, 0.3), 2) for _ in range(n)]
    cough = [chance.random() < 0.05 for _ in range(n)]
    use = Use(
        n,
        leak=leak,
        mean=mean,
        low=[round(m - 2 - 8 * c - chance.random(), 2) for m, c in zip(mean, cough, strict=True)],
        high=[round(m + 2 + 30 * c + chance.random(), 2) for m, c in zip(mean, cough, strict=True)],
        swing=[round(chance.gauss(2.5, 0.4), 3) for _ in range(n)],
        traces=10,
        artefact=["cough" if c else "none" for c in cough],
        artefact_fraction=[0.3 if c else 0.0 for c in cough],
        tilt=[40.0 if t % 700 < 25 else round(chance.uniform(0.5, 3), 1) for t in range(n)],
        state=["pause" if t % 997 < 5 else "run" for t in range(n)],
        missing=range(n // 2, n // 2 + 90),
    )
    return ToldDrain(
        course_as_told(use), leak_ended_at=at(n), leak_hours=n / 60, tube_out_at=NOON + timedelta(minutes=n)
    )
