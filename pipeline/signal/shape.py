"""What the cycles of a block of traces, laid over one another, look like: their height, limbs and ends."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.floating[Any]]
Whole = NDArray[np.int64]

PHASES = 16  # points of a cycle that is laid over the others
_END = PHASES // 4  # of them, at either end of the height


def one_sided(
    levels: Real, template: Real, row: Whole, start: Real, end: Real, share: Real, rows: int
) -> Real:
    """
    How much more the pressure varies from cycle to cycle at one end of the height than at the other.

    A chest comes back to the same rest after breaths of every depth, so that only one end moves; a pump that
    works between two pressures misses the one as it misses the other. An end is the quarter of the cycle
    that is highest (lowest) in the common shape. Half the mean square of the change to the next cycle
    stands for the variance there: a drift changes it little.

    Parameters
    ----------
    levels
        (PHASES, cycles) pressure as it was measured, cm[H2O].
    template
        (PHASES, traces) common shape.
    row, start, end, share
        Of each cycle: its trace, where it lies (samples), how much of it is usable; parts are left out.
    rows
        How many traces there are.

    Returns
    -------
    (traces,) root of the difference between the variances of the two ends, cm[H2O]; 0 where no two whole
    cycles follow one another.
    """
    inorder = np.argsort(template, axis=0, kind="stable")
    follow = np.flatnonzero(
        (row[1:] == row[:-1]) & (end[:-1] == start[1:]) & (share[1:] >= 1) & (share[:-1] >= 1)
    )
    pairs = np.bincount(row[follow], minlength=rows)
    cycle = np.arange(len(row))
    both = []
    for phases in (inorder[-_END:], inorder[:_END]):
        level = levels.take(phases.take(row, axis=1) * len(row) + cycle).mean(axis=0)
        change = np.diff(level)[follow]
        both.append(np.bincount(row[follow], weights=change * change, minlength=rows))
    return np.asarray(np.sqrt(np.abs(both[0] - both[1]) / (2 * np.maximum(pairs, 1))))


def height_of(template: Real) -> Real:
    """Peak to trough of each common shape, by the parabolas through its highest and its lowest points."""
    column = np.arange(template.shape[1])

    def extreme(at: Whole, sign: float) -> Real:
        before, here, after = (template[(at + k) % PHASES, column] for k in (-1, 0, 1))
        bend = np.maximum(sign * (2 * here - before - after), 1e-9)
        return np.asarray(here + sign * (after - before) ** 2 / (8 * bend))

    return extreme(np.argmax(template, axis=0), 1.0) - extreme(np.argmin(template, axis=0), -1.0)


def slow_limb(shape: Real, height: Real) -> Real:
    """Share of the cycle in which the slower limb of each shape is in the middle half of its height."""
    unit = (shape - shape.min(axis=0)) / np.maximum(height, 1e-6)
    after = np.concatenate([unit[1:], unit[:1]])
    move = after - unit
    still = np.abs(move) < 1e-6
    middle = np.clip(after, 0.25, 0.75) - np.clip(unit, 0.25, 0.75)
    middle = np.where(still, (unit > 0.25) & (unit < 0.75), middle / np.where(still, 1.0, move)) / PHASES
    rising = move > 0
    up = np.where(rising, middle, 0.0).sum(axis=0)
    return np.asarray(np.maximum(up, middle.sum(axis=0) - up))
