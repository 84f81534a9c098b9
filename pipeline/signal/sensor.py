"""What the sensor could not read: pressures beyond its range, and a value it stands still at."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.rows import run_lengths, running

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]


def at_the_rails(samples: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> tuple[Real, Flag, Flag]:
    """Out-of-range samples put to the extreme values seen; all of them, and those of crests cut off."""
    saturated = np.isinf(samples)
    over = samples > 0
    values = np.where(gone, 0.0, samples).astype(samples.dtype)
    most = np.where(gone, -np.inf, samples).max(axis=1)[:, None]
    least = np.where(gone, np.inf, samples).min(axis=1)[:, None]
    seen = np.isfinite(most)
    cut = saturated & seen & (run_lengths(saturated) <= rules.stuck_seconds * rate_hz)
    values = np.where(cut, np.where(over, np.where(seen, most, 0.0), np.where(seen, least, 0.0)), values)
    return values, saturated, cut


def clipped(values: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> Flag:
    """Runs at the trace's own greatest or least value that begin with a jump: a rail, not a crest."""
    found = np.zeros(values.shape, dtype=bool)
    need = max(3, round(rules.rail_seconds * rate_hz))
    if values.shape[1] <= need:
        return found
    # Few traces have a jump at all: the others have no rail.
    step = np.abs(values[:, 1:] - values[:, :-1])
    if gone.any():
        step[gone[:, 1:] | gone[:, :-1]] = 0.0
    limit = rules.rail_jump * step.mean(axis=1) + rules.rail_least
    rows = np.flatnonzero(step.max(axis=1) > limit)
    if not len(rows):
        return found
    part, lost, steep = values[rows], gone[rows], step[rows] > limit[rows][:, None]
    for far, take in ((-np.inf, np.max), (np.inf, np.min)):
        here = (part == take(np.where(lost, far, part), axis=1)[:, None]) & ~lost
        long = here & (run_lengths(here) >= need)
        jumps = (long[:, 1:] & ~here[:, :-1] & steep).any(axis=1)
        found[rows] |= long & jumps[:, None]
    return found


def stuck(values: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> tuple[Flag, Flag]:
    """Traces that never move; and runs of one value where the rest moves too often for that to be chance."""
    width = values.shape[1]
    flat = np.zeros(values.shape, dtype=bool)
    constant: Flag = np.zeros(len(values), dtype=bool)
    need = max(2, round(rules.stuck_seconds * rate_hz) - 1)
    # A run this long holds a pair of equal samples half of it apart.
    apart = max(1, min(need // 2, width - 1))
    thin = values[:, ::apart]
    repeats = (thin[:, 1:] == thin[:, :-1]).any(axis=1) if width > 1 else np.ones(len(values), dtype=bool)
    rows = np.flatnonzero(repeats | gone.any(axis=1))
    if not len(rows):
        return constant, flat
    part, lost = values[rows], gone[rows]
    first = part[np.arange(len(rows)), np.argmax(~lost, axis=1)]
    constant[rows] = (lost | (part == first[:, None])).all(axis=1)
    same = np.zeros(part.shape, dtype=bool)
    same[:, 1:] = (part[:, 1:] == part[:, :-1]) & ~(lost[:, 1:] | lost[:, :-1])
    some = np.flatnonzero(running(same, min(need, width), np.logical_and).any(axis=1))
    if len(some):
        here = same[some]
        long = here & (run_lengths(here) >= need)
        others = ~long & ~lost[some]
        moves = (others & ~here).sum(axis=1) >= rules.stuck_moves * np.maximum(others.sum(axis=1), 1)
        long &= moves[:, None]
        long[:, :-1] |= long[:, 1:]
        flat[rows[some]] = long
    flat[constant] = ~gone[constant]
    return constant, flat
