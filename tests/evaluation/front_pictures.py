"""
Draw the pictures of the README again, from what the demo loads: part of `make guides`.

A strip of the course in which the tube blocks and is cleared, and the curve of the leak's duration as the example
in `shared/examples` draws it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import polars as pl

from flows.demo import sample_folders
from pipeline.report import picture
from pipeline.report.strip import strip
from pipeline.store import Home
from schemas.lake import COURSE, USE_ALERT, USE_CANISTER, USE_PERIOD
from shared.examples import leak_survival
from tests.evaluation.course_pictures import PICTURES, loaded

BLOCKED = "lakeside:DV-0001/17@"  # never leaked; the tube blocks on the second day and is cleared
STRIP, CURVE = "front-strip.svg", "front-leak-survival.svg"


def draw(folder: Path = PICTURES) -> list[Path]:
    """Draw both pictures; returns their paths."""
    with tempfile.TemporaryDirectory() as place:
        return drawn_of(loaded(Path(place) / "samples", sample_folders()), folder)


def drawn_of(home: Home, folder: Path) -> list[Path]:
    """Draw them of a home that holds the samples."""
    curve = leak_survival.draw(leak_survival.read(home.database))
    curve.save(folder / CURVE)
    return [picture(_strip(home), folder / STRIP), folder / CURVE]


def _strip(home: Home) -> object:
    this = pl.col("use_id").str.starts_with(BLOCKED)
    minutes = home.lake.scan(COURSE).filter(this).collect().sort("minute")
    tables = (home.lake.scan(t).filter(this).collect() for t in (USE_PERIOD, USE_ALERT, USE_CANISTER))
    return strip(minutes, *tables, width=640)


if __name__ == "__main__":
    for path in draw():
        print(path)
