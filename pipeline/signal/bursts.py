"""Cough and motion: stretches of fast energy, with the slow part of a movement around them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.rows import ordered, pick, run_lengths, running, widen

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]


def bursts(pressure: Real, gone: Flag, hz: float, rules: TraceRules) -> Flag:
    """Stretches with fast energy far above the trace's own quiet level, or any breath's; widened, joined."""
    energy = _fast_part(pressure, gone, hz)
    width = max(3, round(rules.burst_window * hz))
    half = width // 2
    level = np.zeros_like(energy)
    if energy.shape[1] >= width:
        inner = level[:, half : half + energy.shape[1] - width + 1]
        for k in range(width):
            inner += energy[:, k : k + inner.shape[1]]
        level /= width
    thin = slice(None, None, 3)
    known = ~gone[:, thin]
    count = known.sum(axis=1)
    quiet = pick(ordered(level[:, thin], known), count, rules.burst_quiet)
    inorder = ordered(pressure[:, thin], known)
    body = pick(inorder, count, 0.75) - pick(inorder, count, 0.25)
    floor = rules.burst_least + rules.burst_share * body
    ceiling = rules.burst_most + rules.burst_share * body
    limit = np.minimum(np.maximum(floor**2, rules.burst_ratio**2 * quiet), ceiling**2)
    burst: Flag = np.asarray(level > limit[:, None])
    rows = np.flatnonzero(burst.any(axis=1))
    if len(rows):
        wide = widen(burst[rows], round(rules.burst_margin * hz))
        wide |= _moving_around(pressure[rows], wide, gone[rows], hz, rules)
        joined = round(rules.burst_join * hz)
        short = ~wide & (run_lengths(wide) < joined)
        burst[rows] = wide | (short & widen(wide, joined))
    return burst


def _fast_part(pressure: Real, gone: Flag, hz: float) -> Real:
    """
    Energy above the breathing band, a sample: the square of the fourth difference over 0.2 s.

    Its gain is (1 - cos(2 pi f 0.2 s))^2, set to 1 at 2 Hz: a cough's transients pass, of breathing at
    15/min a four-hundredth remains, at 35/min a fiftieth.
    """
    k = max(1, round(0.2 * hz))
    energy = np.zeros_like(pressure)
    if pressure.shape[1] <= 4 * k:
        return energy
    bend = pressure[:, : -2 * k] + pressure[:, 2 * k :]
    bend *= -0.5
    bend += pressure[:, k:-k]
    twice = bend[:, : -2 * k] + bend[:, 2 * k :]
    twice *= -0.5
    twice += bend[:, k:-k]
    twice /= (1 - np.cos(4 * np.pi * k / hz)) ** 2
    np.multiply(twice, twice, out=energy[:, 2 * k : -2 * k])
    rows = np.flatnonzero(gone.any(axis=1))
    if len(rows):
        energy[rows] = np.where(widen(gone[rows], 2 * k), 0.0, energy[rows])
    return energy


def _moving_around(pressure: Real, burst: Flag, gone: Flag, hz: float, rules: TraceRules) -> Flag:
    """
    The slow part of a movement: what is restless without a break around bursts that fill enough of it.

    Restless is a range over `restless_window` far above the trace's own usual one, so that breathing,
    being usual, is not; and breaths between apnoeas, having no bursts among them, are not either.
    """
    window = max(3, round(rules.restless_window * hz) | 1)
    if pressure.shape[1] < 2 * window:
        return burst
    half = window // 2
    range_ = np.zeros_like(pressure)
    range_[:, half : pressure.shape[1] - half] = running(pressure, window, np.maximum) - running(
        pressure, window, np.minimum
    )
    range_[:, :half] = range_[:, half : half + 1]
    range_[:, pressure.shape[1] - half :] = range_[:, pressure.shape[1] - half - 1 :][:, :1]
    thin = slice(None, None, 5)
    known = ~gone[:, thin]
    usual = pick(ordered(range_[:, thin], known), known.sum(axis=1), rules.burst_quiet)
    limit = np.maximum(rules.restless_ratio * usual, rules.restless_least)
    region = (range_ > limit[:, None]) | burst
    # The share of each stretch that bursts fill, by the running count at its ends.
    change = np.ones(region.shape, dtype=bool)
    change[:, 1:] = region[:, 1:] != region[:, :-1]
    begins = np.flatnonzero(change.ravel())
    lengths = np.diff(np.append(begins, region.size))
    filled = np.add.reduceat(burst.ravel().astype(np.int64), begins)
    enough = region.ravel()[begins] & (filled >= rules.restless_filled * lengths)
    return np.repeat(enough, lengths).reshape(region.shape)


def one_sided(pressure: Real, burst: Flag, rules: TraceRules) -> Flag:
    """Whether the bursts rise far more than they fall, in spikes: their skewness."""
    found = np.zeros(len(burst), dtype=bool)
    rows = np.flatnonzero(burst.any(axis=1))
    if len(rows):
        inside, part = burst[rows], pressure[rows].astype(np.float64)
        count = np.maximum(inside.sum(axis=1), 1)
        mean = np.where(inside, part, 0.0).sum(axis=1) / count
        off = np.where(inside, part - mean[:, None], 0.0)
        variance = (off * off).sum(axis=1) / count
        third = (off * off * off).sum(axis=1) / count
        found[rows] = third > rules.cough_skew * np.maximum(variance, 1e-9) ** 1.5
    return found
