"""
Breathing for the characterisation: when each breath begins, how deep it is, what its curve looks like.

Written from the literature named here and without sight of the detector or of its own tests' traces.

| what | drawn from | source |
|---|---|---|
| rate | the recipe; on a ward mostly 18 ± 4, 27 ± 5 in distress | Gravelyn & Weg, JAMA 1980;244:1123 (after operations) |
| variation of the intervals | CV 5–20 %, irregular 20–35 % | Tobin et al., J Appl Physiol 1988;65:309: 20.8 ± 11.5 % over 15 min, awake; less within a minute: our judgement |
| variation of the depths | CV 10–33 %, irregular 30–50 % | the same: tidal volume 33 ± 14.9 % |
| memory from breath to breath | lag-one correlation 0.25 (intervals), 0.30 (depths) | Tobin et al., Am J Respir Crit Care Med 1995;152:1967: TE 0.26, TI 0.20, VT 0.30 |
| inspiration : expiration | 1:1.5 to 1:3 | textbook physiology, from memory |
| passive expiration | exponential, time constant 15–35 % of the expiration | textbook mechanics, from memory; the figure is our judgement |
| pause after expiration | 15–45 % of the expiration | our judgement |
| sighs | one breath 2–3 times as deep, 1 minute in 6 | about ten an hour, from memory |
| apnoea | no breath for 10–20 s, once | 10 s or more by the definition of sleep medicine, from memory |
| waxing and waning | depth rising and falling over 40–60 s | periodic (Cheyne–Stokes) breathing, from memory |
| `neurokit` | neurokit2's `rsp_simulate`, its curve after Noto et al., Chem Senses 2018;43:583, stretched to the rate | |
| `recorded` | stretches of the two recordings in `tests/support/recordings.py`, at 0.6–1.8 times their pace, breaths beyond doubt only | |
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import neurokit2 as nk
import numpy as np
from numpy.typing import NDArray

from tests.support.recordings import Marked, marked, marked_recording

Floats = NDArray[np.float64]

SHAPES = ("raised_cosine", "exponential", "paused", "neurokit")
MEMORY_OF_INTERVALS = 0.25
MEMORY_OF_DEPTHS = 0.30
RECORDED_PACES = (
    0.6,
    1.8,
)  # how far a recording may be stretched in time; a simulated curve goes all the way


class Breathing(NamedTuple):
    """Pressure at each time (cm[H2O] about the level at end expiration) and the breaths behind it."""

    pressure: Floats
    starts: Floats  # s, onset of each breath, some before and after the trace
    lengths: Floats  # s, to the next onset
    depths: Floats  # cm[H2O], peak to trough of each


def breathe(
    rng: np.random.Generator,
    times: Floats,
    *,
    shape: str,
    swing: float,
    rate: float,
    cv_time: float,
    cv_depth: float,
    sigh: float = 0.0,
    apnoea: float = 0.0,
    waxing: float = 0.0,
) -> Breathing:
    """
    Breathing through an open tube: pressure falls with each inspiration.

    Parameters
    ----------
    rng
        Where chance comes from; the same state gives the same breathing.
    times
        Seconds from the start of the trace, rising.
    shape
        One of `SHAPES`, `recorded_<name>` for a real recording, or `ventilator`.
    swing, rate
        Depth of the typical (median) breath, cm[H2O]; mean breaths a minute.
    cv_time, cv_depth
        Coefficients of variation of intervals and depths; a simulated or recorded curve keeps its own.
    sigh
        Chance that one breath is a sigh.
    apnoea, waxing
        Seconds without breath, once; seconds from one deepest breath to the next; 0: none. A simulated or
        recorded curve knows neither.

    Returns
    -------
    Pressure and breaths; the truth that verdicts are held against.
    """
    if shape == "neurokit":
        return _stretched(rng, times, _neurokit(int(rng.integers(24))), swing, rate, (0.3, 4))
    if shape.startswith("recorded_"):
        source = marked_recording(shape.removeprefix("recorded_"))
        return _stretched(rng, times, source, swing, rate, RECORDED_PACES)
    lengths, depths = _breaths(rng, times[-1], swing, rate, cv_time, cv_depth)
    if rng.random() < sigh:
        one = int(rng.integers(len(depths)))
        depths[one] *= rng.uniform(2, 3)
        lengths[one] *= 1.4
    waits = lengths.copy()
    if apnoea:
        waits[int(rng.uniform(0.2, 0.6) * times[-1] * rate / 60)] += apnoea
    starts = np.concatenate([[0.0], np.cumsum(waits)[:-1]]) - rng.uniform(0.5, 1.5) * lengths[0]
    if waxing:
        depths *= np.maximum(0.5 + 0.5 * np.cos(2 * np.pi * (starts / waxing + rng.uniform(0, 1))), 0.02)
    which = np.clip(np.searchsorted(starts, times, side="right") - 1, 0, len(starts) - 1)
    phase = np.clip((times - starts[which]) / lengths[which], 0, 1)
    curve = _ventilator(rng, phase) if shape == "ventilator" else -_breath(rng, shape, phase)
    return Breathing(depths[which] * curve, starts, lengths, depths)


def _breaths(
    rng: np.random.Generator, seconds: float, swing: float, rate: float, cv_time: float, cv_depth: float
) -> tuple[Floats, Floats]:
    many = int(seconds * rate / 60 * 1.6) + 8
    widths = np.sqrt(np.log1p(np.square([cv_time, cv_depth])))
    steps = rng.standard_normal((many, 2))
    walk = np.empty_like(steps)
    walk[0] = steps[0]
    memory = np.array([MEMORY_OF_INTERVALS, MEMORY_OF_DEPTHS])
    for k in range(1, many):
        walk[k] = memory * walk[k - 1] + np.sqrt(1 - memory**2) * steps[k]
    lengths = 60 / rate * np.exp(widths[0] * walk[:, 0] - widths[0] ** 2 / 2)
    return np.maximum(lengths, 0.6), swing * np.exp(widths[1] * walk[:, 1])


def _breath(rng: np.random.Generator, shape: str, phase: Floats) -> Floats:
    """One breath's curve from 0 over 1 (end of inspiration) back to 0."""
    inspiration = 1 / (1 + rng.uniform(1.5, 3))
    inward = (1 - np.cos(np.pi * np.minimum(phase / inspiration, 1))) / 2
    outward = np.maximum(phase - inspiration, 0) / (1 - inspiration)
    if shape == "exponential":
        tau = rng.uniform(0.15, 0.35)
        floor = np.exp(-1 / tau)
        return np.where(phase < inspiration, inward, (np.exp(-outward / tau) - floor) / (1 - floor))
    busy = 1 - rng.uniform(0.15, 0.45) if shape == "paused" else 1.0
    return np.where(phase < inspiration, inward, (1 + np.cos(np.pi * np.minimum(outward / busy, 1))) / 2)


def _ventilator(rng: np.random.Generator, phase: Floats) -> Floats:
    """A machine's breath: pressure rises fast, holds, and falls exponentially."""
    inspiration, tau = 1 / (1 + rng.uniform(1.5, 3)), rng.uniform(0.1, 0.25)
    risen = 1 - np.exp(-phase / (inspiration * rng.uniform(0.15, 0.4)))
    top = risen[phase < inspiration].max(initial=1e-9)
    fall = np.exp(-np.maximum(phase - inspiration, 0) / (1 - inspiration) / tau)
    return np.where(phase < inspiration, risen / top, fall)


@cache
def _neurokit(seed: int) -> Marked:
    curve = nk.rsp_simulate(
        duration=240,
        sampling_rate=40,
        noise=0.0,
        respiratory_rate=15,
        method="breathmetrics",
        random_state=seed,
    )
    return marked(np.asarray(curve))


def _stretched(
    rng: np.random.Generator,
    times: Floats,
    source: Marked,
    swing: float,
    rate: float,
    paces: tuple[float, float],
) -> Breathing:
    """A stretch of a longer curve at about the rate and the depth wanted, all of its breaths beyond doubt."""
    whole = 60 * source.hz * (len(source.tops) - 1) / (source.tops[-1] - source.tops[0])
    pace = np.clip(rate / whole, *paces)  # seconds of the curve a second of the trace
    at, sure = source.tops / source.hz, False
    for tries in range(2000):
        if tries % 200 == 199 and pace > paces[0]:
            pace *= 0.9  # a shorter stretch leaves less to doubt
        span = times[-1] * pace
        begin = rng.uniform(1, len(source.curve) / source.hz - span - 1)
        inside = (at >= begin) & (at <= begin + span)
        if inside.sum() >= 3 and source.sure[inside].all():
            sure = True
            break
    if not sure:
        raise ValueError(f"No stretch of {span:.0f} s has only breaths beyond doubt; ask for a lower rate.")
    scale = swing / np.median(source.depths[inside])
    curve = np.interp(begin + times * pace, np.arange(len(source.curve)) / source.hz, source.curve)
    starts = (at - begin) / pace
    return Breathing(
        -scale * (curve - curve.min()), starts, np.diff(starts, append=np.inf), source.depths * scale
    )
