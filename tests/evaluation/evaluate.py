"""
The course of simulated drains against the truth: `python -m tests.evaluation.evaluate [--drains N] [--seed S]`.

Simulates fleets of hard drains (traces every minute, every 5 and 10 minutes, none; four sites' layouts), takes
their exports through reading, resolving, evidence, course and cohort, and compares minute by minute with what
really happened. Prints measured, target and verdict, and every target that a subset misses, and writes the table as CSV and Markdown beside the guide.
`--quick` does a small fleet and writes nothing unless `--out` says where. The same seed gives the same table.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from pathlib import Path

import polars as pl

from pipeline.simulate.scenarios import WARD
from shared import SHARED
from tests.evaluation.evaluate_figures import Figure
from tests.evaluation.evaluate_fleets import Beside, beside_truth
from tests.evaluation.evaluate_scores import scored
from tests.evaluation.evaluate_table import as_csv, as_markdown, printed

KEPT = SHARED / "guides" / "course"


def splits(beside: Beside) -> dict[str, list[Figure]]:
    """All figures over everything, without the drains made hard on purpose, by kind of evidence and by site."""
    ward = pl.col("scenario") == WARD
    found = {"all": scored(beside), "a ward's mix": scored(beside.only(ward))}
    for column in ("evidence", "site"):
        for name in beside.drains[column].unique(maintain_order=True):
            found[str(name)] = scored(beside.only(pl.col(column) == name))
    return found


def main(arguments: list[str] | None = None) -> int:
    """Run it; 1 where a target over everything was missed that the definitions can reach."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[1])
    asked.add_argument("--drains", type=int, default=400)
    asked.add_argument("--seed", type=int, default=2031)
    asked.add_argument("--quick", action="store_true", help="32 drains, written nowhere")
    asked.add_argument("--out", type=Path, default=None, help="folder of the tables")
    call = asked.parse_args(arguments)
    drains = 32 if call.quick else call.drains
    began = time.perf_counter()

    def said(line: str) -> None:
        print(f"{time.perf_counter() - began:6.0f} s  {line}", file=sys.stderr, flush=True)

    found = splits(beside_truth(drains, call.seed, said))
    print("\n".join(printed(found)))
    folder = call.out or (None if call.quick else KEPT)
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        _write(folder, found, drains, call.seed)
    return int(_missed(found["all"]))


def _write(folder: Path, found: dict[str, list[Figure]], drains: int, seed: int) -> None:
    (folder / "evaluation.csv").write_text(as_csv(found), encoding="utf-8")
    (folder / "evaluation.md").write_text(as_markdown(found, drains, seed), encoding="utf-8")


def _missed(figures: Iterable[Figure]) -> bool:
    return any(figure.failed for figure in figures)


if __name__ == "__main__":
    sys.exit(main())
