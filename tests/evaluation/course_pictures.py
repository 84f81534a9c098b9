"""
Draw the pictures of the guide to the course again: `make guides`.

The sample logs and a small simulated fleet are loaded into a ledger of their own, and of each kind of finding
the clearest stretch is drawn: the one of the length that shows it best, of the samples if they have one. Those of
`BY_HAND` are made by hand, for none of these shows what the guide says of them, or shows something else as well.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from flows.demo import sample_folders
from flows.loading.load import run_load
from flows.loading.request import request_for
from pipeline.course.written import Course
from pipeline.report import picture
from pipeline.report.strip import strip
from pipeline.simulate import simulate
from pipeline.store import Home
from schemas.lake import COURSE, USE_ALERT, USE_CANISTER, USE_PERIOD
from schemas.vocabulary import PeriodKind
from shared import SHARED
from tests.evaluation.course_stretches import lung_comes_up, stop_without_return, surge

PICTURES = SHARED / "guides" / "pictures"
# Minutes to show on either side, and the length of stretch that shows it best: some are short by nature.
SHOWN: dict[PeriodKind, tuple[int, int]] = {
    PeriodKind.TIDALING_PRESENT: (90, 600),
    PeriodKind.TIDALING_INDETERMINATE: (180, 300),
    PeriodKind.TILTED: (90, 30),
    PeriodKind.PAUSED: (60, 15),
    PeriodKind.SUCTION_SHORTFALL: (120, 60),
    PeriodKind.LINE_OPEN: (120, 20),
    PeriodKind.CLAMPED: (120, 30),
    PeriodKind.OCCLUSION_SUSPECTED: (360, 180),
    PeriodKind.LEAK: (600, 1440),
    PeriodKind.COUGH: (60, 3),
    PeriodKind.MOTION: (60, 10),
    PeriodKind.NO_DATA: (240, 180),
}
BY_HAND: dict[PeriodKind, Callable[[], Course]] = {
    PeriodKind.TIDALING_ABSENT: lung_comes_up,
    PeriodKind.FLOW_STOPPED: stop_without_return,
    PeriodKind.OUTPUT_SURGE: surge,
}
FLEETS = ((12, 3), (30, 7))  # drains, seed


def draw(folder: Path = PICTURES) -> list[Path]:
    """Draw every picture of the guide; returns their paths."""
    with tempfile.TemporaryDirectory() as place:
        homes = [loaded(Path(place) / "samples", sample_folders())]
        for drains, seed in FLEETS:
            made = simulate(Path(place) / f"invented-{seed}", drains, seed)
            homes.append(loaded(Path(place) / f"fleet-{seed}", [made.logs]))
        return [*(_typical(homes, kind, folder) for kind in SHOWN), *by_hand(folder)]


def by_hand(folder: Path) -> list[Path]:
    """Draw the stretches that are made by hand."""
    return [picture(_by_hand(made()), _path(folder, kind)) for kind, made in BY_HAND.items()]


def _path(folder: Path, kind: PeriodKind) -> Path:
    return folder / f"course-{kind.value.replace('_', '-')}.svg"


def loaded(root: Path, paths: list[Path]) -> Home:
    home = Home(root)
    home.create()
    run_load(home, paths, request_for(home), datetime(2031, 6, 1, tzinfo=UTC))
    return home


def _typical(homes: list[Home], kind: PeriodKind, folder: Path) -> Path:
    beside, best = SHOWN[kind]
    for home in homes:
        found = (
            home.lake.scan(USE_PERIOD)
            .filter(pl.col("kind") == kind.value, pl.col("grade").ne_missing("annotated"))
            .collect()
            .sort((pl.col("minutes") - best).abs(), "use_id", "started_at")
        )
        if found.height:
            return picture(_drawn(home, found.row(0, named=True), beside), _path(folder, kind))
    raise LookupError(f"{kind.value}: none in the samples nor in the fleets; make one in course_stretches.py")


def _by_hand(course: Course) -> object:
    return strip(course.minutes, course.periods, course.alerts, course.canisters, width=680)


def _drawn(home: Home, period: dict[str, object], beside: int) -> object:
    started, ended = period["started_at"], period["ended_at"]
    assert isinstance(started, datetime)
    assert isinstance(ended, datetime)
    this, pad = pl.col("use_id") == period["use_id"], timedelta(minutes=beside)
    minutes = home.lake.scan(COURSE).filter(
        this, pl.col("minute") >= started - pad, pl.col("minute") < ended + pad
    )
    tables = (home.lake.scan(t).filter(this).collect() for t in (USE_PERIOD, USE_ALERT, USE_CANISTER))
    return strip(minutes.collect().sort("minute"), *tables, width=680)


if __name__ == "__main__":
    for path in draw():
        print(path)
