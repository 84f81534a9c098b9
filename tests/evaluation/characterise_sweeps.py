"""The runs of the characterisation: the families one by one, and one thing after another varied."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import polars as pl

from pipeline.definitions import load_definitions
from pipeline.signal import assess
from tests.evaluation.characterise_families import (
    ASLEEP,
    BLOCKED,
    CLEAN,
    COUGH,
    FAULTS,
    HARD_BREATHING,
    HARD_NULLS,
    INVERTED,
    LUNG_UP,
    MOTION,
    PARTLY,
    RECORDED,
    STRUCTURED_NULLS,
    SWEEP,
    UNEVEN,
    VENTILATED,
)
from tests.evaluation.characterise_score import judged
from tests.evaluation.characterise_traces import Recipe, draw

SECONDS, HZ = 60, 10.0  # of the main figures
SWINGS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)
RATES = (6, 7, 8, 9, 10, 12, 15, 18, 21, 24, 27, 30, 33, 36, 39, 42)
LENGTHS = (20, 30, 45, 60)
SAMPLING = (4.0, 5.0, 8.0, 10.0, 20.0, 25.0, 50.0)
SHARES = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
NOISE = {"quiet": 0.03, "noisy": 0.1, "very noisy": 0.25}  # cm[H2O], standard deviation
ODDS = (-3.0, -2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 3.0)  # added to the log odds of a chest over a pump
LIMITS = (0.1, 0.03, 0.01, 3e-3, 1e-3, 3e-4, 1e-4, 1e-5, 1e-6, 1e-8, 1e-12)


@dataclass(frozen=True)
class Run:
    """How much is run: seed, traces of each family, traces of each point of a sweep."""

    seed: int
    family: int
    point: int
    crossed: int


@dataclass(frozen=True)
class Cell:
    """So many traces of a recipe, and what the cell is called in each column."""

    recipe: Recipe
    n: int
    seed: int
    names: dict[str, object]
    seconds: int = SECONDS
    hz: float = HZ


def run_cells(
    cells: Iterable[Cell], limits: tuple[float, ...] = (), moved: str = "false_alarm"
) -> pl.DataFrame:
    """
    Truth, verdict and judgement of every trace of the cells; their names become columns.

    Parameters
    ----------
    cells
        In any order; those of one length and rate are assessed as one batch.
    limits
        Values to run instead of the shipped one, as column `limit`.
    moved
        Of which threshold in `[trace]`.
    """
    batches: dict[tuple[int, float], list[Cell]] = {}
    for cell in cells:
        batches.setdefault((cell.seconds, cell.hz), []).append(cell)
    shipped = load_definitions().trace
    parts = []
    for (seconds, hz), batch in batches.items():
        made = [draw(c.recipe, c.n, seconds=seconds, rate_hz=hz, seed=c.seed) for c in batch]
        truths = [
            m.truth.with_columns(**{k: pl.lit(v) for k, v in c.names.items()})
            for m, c in zip(made, batch, strict=True)
        ]
        truth, samples = pl.concat(truths, how="diagonal_relaxed"), np.vstack([m.samples for m in made])
        if not limits:
            parts.append(pl.concat([truth, assess(samples, hz)], how="horizontal"))
        for limit in limits:
            found = assess(samples, hz, rules=shipped.model_copy(update={moved: limit}))
            parts.append(pl.concat([truth.with_columns(limit=pl.lit(limit)), found], how="horizontal"))
    return judged(pl.concat(parts, how="diagonal_relaxed"))


def families(run: Run) -> pl.DataFrame:
    """Every family at 60 s and 10 Hz, with what it belongs to as `group`."""
    groups: dict[str, Iterable[Recipe]] = {
        "clean": (CLEAN,),
        "clean, none": (BLOCKED, LUNG_UP),
        "cough or motion": (COUGH, MOTION),
        "cough or motion, none": (COUGH.without_breath(), MOTION.without_breath()),
        "hard": HARD_BREATHING,
        "hard, none": HARD_NULLS,
        "structured null": (r for r in STRUCTURED_NULLS if r not in HARD_NULLS),
        "fault": FAULTS,
        "fault, none": (r.without_breath() for r in FAULTS),
        "other": (INVERTED, ASLEEP, VENTILATED, *UNEVEN, *RECORDED, PARTLY),
    }
    return run_cells(
        Cell(recipe, run.family, run.seed, {"group": group})
        for group, some in groups.items()
        for recipe in some
    )


def swing_sweep(run: Run) -> pl.DataFrame:
    """From no swing to a deep one, by noise and by share of artefact (cough and motion in turn)."""
    return run_cells(
        Cell(
            _with(swing, noise=sd, kind=kind, share=share),
            run.point,
            run.seed,
            {"swing_set": swing, "noise": name, "artefact": share},
        )
        for swing, (name, sd), share in product(SWINGS, NOISE.items(), (0.0, 0.2, 0.4))
        for kind in (("none",) if share == 0 else ("cough", "motion"))
    )


def rate_sweep(run: Run) -> pl.DataFrame:
    """From slow to fast breathing, at three swings."""
    return run_cells(
        Cell(_with(swing, rate=rate), run.point, run.seed, {"swing_set": swing, "rate_set": rate})
        for swing, rate in product((0.8, 1.5, 4.0), RATES)
    )


def share_sweep(run: Run) -> pl.DataFrame:
    """More and more of the trace lost to cough or motion, with and without breathing."""
    return run_cells(
        Cell(
            _with(swing, kind=kind, share=share),
            run.point,
            run.seed,
            {"swing_set": swing, "kind": kind, "artefact": share},
        )
        for swing, kind, share in product((0.0, 1.5, 4.0), ("cough", "motion"), SHARES)
    )


def length_sweep(run: Run) -> pl.DataFrame:
    """Short and long traces of slow and fast breathing, and of none."""
    return run_cells(
        Cell(
            _with(swing, rate=rate),
            run.point,
            run.seed,
            {"swing_set": swing, "rate_set": rate, "length_s": seconds},
            seconds=seconds,
        )
        for swing, rate, seconds in product((0.0, 1.5, 4.0), (8, 12, 18, 30), LENGTHS)
    )


def sampling_sweep(run: Run) -> pl.DataFrame:
    """Slow and fast sampling with a heart that can alias, with and without breathing."""
    return run_cells(
        Cell(
            replace(_with(swing), heart=(0.1, 0.5)),
            run.point,
            run.seed,
            {"swing_set": swing, "sampling_hz": hz},
            hz=hz,
        )
        for swing, hz in product((0.0, 0.8, 1.5, 2.0, 4.0), SAMPLING)
    )


def crossed(run: Run) -> pl.DataFrame:
    """Everything at once: swing × rate × noise × artefact share × length × sampling rate, few traces a cell."""
    grid = product((0.0, 0.8, 1.5, 4.0), (8, 15, 30), ("quiet", "noisy"), (0.0, 0.2, 0.4), LENGTHS, SAMPLING)
    columns = ("swing_set", "rate_set", "noise", "artefact", "length_s", "sampling_hz")
    return run_cells(
        Cell(
            _with(
                swing,
                rate=rate,
                noise=NOISE[noise],
                kind=("cough", "motion")[k % 2] if share else "none",
                share=share,
            ),
            run.crossed,
            run.seed + k,
            dict(zip(columns, (swing, rate, noise, share, seconds, hz), strict=True)),
            seconds=seconds,
            hz=hz,
        )
        for k, (swing, rate, noise, share, seconds, hz) in enumerate(grid)
    )


def operating_curves(run: Run) -> pl.DataFrame:
    """Sensitivity against false alarms as the limit of the false-alarm chance is moved."""
    groups: dict[str, tuple[Recipe, ...]] = {
        "clean": (CLEAN,),
        "cough or motion": (COUGH, MOTION),
        "hard": HARD_BREATHING,
        "noise": tuple(r for r in STRUCTURED_NULLS if r not in HARD_NULLS),
        "pump or heart": HARD_NULLS,
    }
    return run_cells(
        (
            Cell(recipe, 3 * run.point, run.seed, {"group": group})
            for group, recipes in groups.items()
            for recipe in recipes
        ),
        LIMITS,
    )


def pump_curves(run: Run) -> pl.DataFrame:
    """Breathing called present against pumps called present as the log odds of a chest are moved (`moved`)."""
    shipped = load_definitions().trace.chest_constant
    recipes = (*HARD_NULLS, CLEAN, COUGH, MOTION, *HARD_BREATHING, ASLEEP, VENTILATED, *RECORDED)
    found = run_cells(
        (Cell(recipe, 5 * run.point, run.seed, {}) for recipe in recipes),
        tuple(shipped + more for more in ODDS),
        "chest_constant",
    )
    return found.with_columns((pl.col("limit") - shipped).round(2).alias("moved"))


def _with(
    swing: float, *, rate: float | None = None, noise: float = 0.03, kind: str = "none", share: float = 0.0
) -> Recipe:
    """The sweep's recipe with some of it set; breathing at 8–30/min unless the rate is given."""
    changes: dict[str, object] = {
        "swing": (swing, swing),
        "rate": (8, 30) if rate is None else (rate, rate),
        "noise": (noise, noise),
    }
    if share:
        changes[kind] = (share, share)
    if kind == "cough" and not swing:
        changes["cough_height"] = (3, 20)
    return replace(SWEEP, **changes)
