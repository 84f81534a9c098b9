"""
Pressure traces whose truth is known, for the characterisation of the breathing detector.

A `Recipe` says what may happen in a trace and how large; `draw` makes traces of it. Each trace comes from its own
stream of chance, keyed by seed, recipe and number, so that a trace can be made again alone and more traces never
change the earlier ones. Samples are what a sensor without a filter in front of it would give at each instant:
whatever is faster than half the rate aliases, which is the worst case. Sources of shapes and sizes stand in
`characterise_breath.py` and `characterise_disturbances.py`; the recipes in use in `characterise_families.py`.

>>> found = draw(Recipe("quiet", swing=(1, 10)), 2, seconds=60, rate_hz=10, seed=1)
>>> found.samples.shape, found.truth.height
((2, 600), 2)
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.evaluation.characterise_breath import SHAPES, Breathing, breathe
from tests.evaluation.characterise_disturbances import (
    MOTIONS,
    NOISES,
    PUMPS,
    cough,
    drift,
    heart,
    motion,
    noise,
    places,
    pump,
    steps,
    within,
)

Floats = NDArray[np.float64]
Span = tuple[float, float]
NONE: Span = (0.0, 0.0)


@dataclass(frozen=True)
class Recipe:
    """What a trace is made of; each span is drawn from evenly (sizes evenly on a log scale)."""

    name: str
    swing: Span = NONE  # cm[H2O], typical breath at the device; (0, 0): none gets there
    rate: Span = (8, 30)  # breaths/min
    ward_rates: bool = False  # 18 ± 4 (4 in 5) or 27 ± 5 (1 in 5), kept within `rate`
    shapes: tuple[str, ...] = SHAPES
    cv_time: Span = (0.05, 0.20)
    cv_depth: Span = (0.10, 0.33)
    sigh: float = 1 / 6  # chance of one deep breath
    apnoea: Span = NONE  # s
    waxing: Span = NONE  # s from one deepest breath to the next
    inverted: float = 0.1  # chance that pressure rises with inspiration
    noises: tuple[str, ...] = NOISES
    noise: Span = (0.02, 0.06)  # cm[H2O], standard deviation
    drift: Span = (0.0, 1.0)  # cm[H2O] over a minute
    heart: Span = NONE  # cm[H2O] peak to trough
    heart_rate: Span = (50, 150)
    pump: Span = NONE  # cm[H2O] peak to trough
    pump_period: Span = (2, 20)  # s
    pump_shapes: tuple[str, ...] = PUMPS
    pump_jitter: tuple[Span, ...] = ((0.002, 0.01), (0.02, 0.08))
    cough: Span = NONE  # share of the trace
    cough_height: Span = (10, 60)  # cm[H2O]
    motion: Span = NONE  # share of the trace
    motions: tuple[str, ...] = MOTIONS
    steps: tuple[int, int] = (0, 0)
    saturated: Span = NONE  # share of the samples beyond the sensor's range
    stuck: Span = NONE  # share of the trace
    dropped: Span = NONE  # share of the trace
    quantum: float = 0.1  # cm[H2O]

    def without_breath(self, **changes: object) -> Recipe:
        """The same, but no breath reaches the device; coughs hardly do."""
        changes.setdefault("name", f"{self.name}, none")
        return replace(self, swing=NONE, cough_height=(3, 20), **changes)


@dataclass(frozen=True)
class Batch:
    """Samples (n_traces, n_samples) in cm[H2O] and a frame of the truth, a row a trace."""

    samples: Floats
    truth: pl.DataFrame


def draw(recipe: Recipe, n: int, *, seconds: int, rate_hz: float, seed: int) -> Batch:
    """Make `n` traces of a recipe."""
    made = [_trace(recipe, seconds, rate_hz, seed, k) for k in range(n)]
    return Batch(
        np.vstack([m[0] for m in made]), pl.DataFrame([m[1] for m in made], infer_schema_length=None)
    )


def _trace(
    recipe: Recipe, seconds: int, rate_hz: float, seed: int, number: int
) -> tuple[Floats, dict[str, object]]:
    rng = np.random.default_rng([seed, zlib.crc32(recipe.name.encode()), number])
    times = np.arange(int(seconds * rate_hz)) / rate_hz
    shape = recipe.shapes[int(rng.integers(len(recipe.shapes)))]
    swing, rate = _log(rng, recipe.swing), _rate(rng, recipe)
    episodes = places(rng, seconds, rng.uniform(*recipe.cough), 1.5, 10)
    moves = places(rng, seconds, rng.uniform(*recipe.motion), 2, 15)
    breath = breathe(
        rng,
        times,
        shape=shape,
        swing=max(swing, 1e-12),
        rate=rate,
        cv_time=0.005 if shape == "ventilator" else rng.uniform(*recipe.cv_time),
        cv_depth=0.01 if shape == "ventilator" else rng.uniform(*recipe.cv_depth),
        sigh=0.0 if shape == "ventilator" else recipe.sigh,
        apnoea=_log(rng, recipe.apnoea),
        waxing=_log(rng, recipe.waxing),
    )
    calm = _held(times, episodes)
    turned = -1 if shape != "ventilator" and rng.random() < recipe.inverted else 1
    pressure = turned * calm * breath.pressure if swing else np.zeros(len(times))
    others, pump_was = _everything_else(rng, recipe, times, episodes, moves)
    device, missing = _sensor(rng, recipe, times, pressure + others + rng.uniform(-25, -6))
    truth = {
        "family": recipe.name,
        "number": number,
        "seed": seed,
        "shape": shape if swing else "none",
        "breathing": bool(swing),
        "swing": (swing or None) if not recipe.waxing[1] else None,  # waxing leaves no typical depth
        **_breaths_seen(breath, episodes, float(times[-1]), bool(swing)),
        "artefact_share": float(within(times, episodes + moves).mean()),
        "missing_share": missing,
        "cough": bool(episodes),
        "motion": bool(moves),
        "inverted": turned < 0,
        **pump_was,
    }
    return device, truth


def _everything_else(
    rng: np.random.Generator, recipe: Recipe, times: Floats, bouts: list[Span], moves: list[Span]
) -> tuple[Floats, dict[str, object]]:
    """All that is no breath, and what the pump did."""
    pressure = noise(
        rng, times, recipe.noises[int(rng.integers(len(recipe.noises)))], _log(rng, recipe.noise)
    )
    pressure += drift(rng, times, rng.uniform(*recipe.drift))
    pulse, ripple = _log(rng, recipe.heart), _log(rng, recipe.pump)
    was: dict[str, object] = {"pump_shape": None, "pump_jitter": None, "pump_per_min": None}
    if pulse:
        pressure += heart(rng, times, pulse, rng.uniform(*recipe.heart_rate))
    if ripple:
        shape = recipe.pump_shapes[int(rng.integers(len(recipe.pump_shapes)))]
        which = int(rng.integers(len(recipe.pump_jitter)))
        period = _log(rng, recipe.pump_period)
        pressure += pump(rng, times, shape, ripple, period, rng.uniform(*recipe.pump_jitter[which]))
        name = "regular" if recipe.pump_jitter[which][1] <= 0.01 else "jittered"
        was = {"pump_shape": shape, "pump_jitter": name, "pump_per_min": 60 / period}
    pressure += cough(rng, times, bouts, recipe.cough_height)
    pressure += motion(rng, times, moves, recipe.motions)
    return pressure + steps(rng, times, int(rng.integers(recipe.steps[0], recipe.steps[1] + 1))), was


def _held(times: Floats, bouts: list[Span]) -> Floats:
    """1 where the patient breathes quietly, 0 in a bout of coughs, 0.3 s between the two."""
    calm = np.ones(len(times))
    for begin, end in bouts:
        calm = np.minimum(calm, np.clip(np.maximum(begin - times, times - end) / 0.3, 0, 1))
    return calm


def _breaths_seen(breath: Breathing, bouts: list[Span], last: float, any_: bool) -> dict[str, object]:
    """Typical depth and mean rate of the breaths that lie wholly in the trace and in no bout of coughs."""
    ends = breath.starts + breath.lengths
    whole = (breath.starts >= 0) & (ends <= last)
    for begin, end in bouts:
        whole &= (ends <= begin) | (breath.starts >= end)
    if not any_ or not whole.any():
        return {"swing_here": None, "rate": None, "breaths": 0, "cv_here": None}
    lengths = breath.lengths[whole]
    return {
        "swing_here": float(np.median(breath.depths[whole])),
        "rate": float(60 / lengths.mean()),
        "breaths": int(whole.sum()),
        "cv_here": float(lengths.std() / lengths.mean()),
    }


def _sensor(
    rng: np.random.Generator, recipe: Recipe, times: Floats, pressure: Floats
) -> tuple[Floats, float]:
    """What the device logs: rounded, held, out of range (as infinities, or cut off), missing."""
    seconds = float(times[-1])
    for begin, end in places(rng, seconds, rng.uniform(*recipe.stuck), seconds, seconds):
        held = within(times, [(begin, end)])
        pressure = np.where(held, pressure[np.argmax(held)], pressure)
    logged = np.round(pressure / recipe.quantum) * recipe.quantum if recipe.quantum else pressure.copy()
    beyond = rng.uniform(*recipe.saturated)
    if beyond:
        high = rng.random() < 0.5
        limit = np.quantile(logged, 1 - beyond if high else beyond)
        out = logged > limit if high else logged < limit
        logged[out] = (np.inf if high else -np.inf) if rng.random() < 0.5 else limit
    lost = rng.uniform(*recipe.dropped)
    if lost:
        logged[within(times, places(rng, seconds, lost, *((0.2, 1) if rng.random() < 0.5 else (2, 10))))] = (
            np.nan
        )
    return logged, float((~np.isfinite(logged)).mean())


def _log(rng: np.random.Generator, span: Span) -> float:
    return float(np.exp(rng.uniform(*np.log(span)))) if span[0] > 0 else 0.0


def _rate(rng: np.random.Generator, recipe: Recipe) -> float:
    if not recipe.ward_rates:
        return float(rng.uniform(*recipe.rate))
    drawn = rng.normal(27, 5) if rng.random() < 0.2 else rng.normal(18, 4)
    return float(np.clip(drawn, *recipe.rate))
