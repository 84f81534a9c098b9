"""Lasting steps of level (a changed set pressure, a posture) and how they are taken out."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.rows import merge, pick, running

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]


def take_out_steps(
    pressure: Real, masked: Flag, stepped: Flag, rows: NDArray[np.int64], hz: float, rules: TraceRules
) -> NDArray[np.int64]:
    """
    Take the greatest lasting step of level out of these rows, in place; return the rows that had one.

    Looked for in the means of whole seconds: the mean of the `step_window` after differs from that of
    as long before by more than breathing explains, and most of that is there within `step_within`.
    """
    second = max(1, round(hz))
    seconds = pressure.shape[1] // second
    if seconds < 12 or not len(rows):
        return rows[:0]
    every = len(rows) == len(pressure)
    part = pressure if every else pressure[rows]
    gone = masked | stepped if every else (masked | stepped)[rows]
    holed = bool(gone.any())
    total = merge(np.where(gone, 0.0, part) if holed else part, second, np.add)
    far, near = round(rules.step_window), round(rules.step_within)

    def sums(values: Real) -> Real:
        """Running sums, kept at their ends as far as the windows reach beyond them."""
        out = np.zeros((len(values), seconds + 1 + 2 * far), dtype=part.dtype)
        np.cumsum(values, axis=1, out=out[:, far + 1 : far + 1 + seconds])
        out[:, far + 1 + seconds :] = out[:, far + seconds : far + seconds + 1]
        return out

    ones = (~gone).astype(part.dtype) if holed else np.ones((1, part.shape[1]), dtype=part.dtype)
    heights, counts = sums(total), sums(merge(ones, second, np.add))
    at = np.arange(5, seconds - 5)
    places = len(at)

    def jump(reach: int) -> Real:
        # Seconds 1 to `reach` after each place, less as many up to one before it.
        a, d = far + 6, far + 4
        after, before = (
            (heights[:, u : u + places] - heights[:, v : v + places])
            / np.maximum(counts[:, u : u + places] - counts[:, v : v + places], 1)
            for u, v in ((a + reach, a), (d, d - reach))
        )
        return np.asarray(after - before)

    lasting, local = jump(far), jump(near)
    size = np.abs(lasting)
    size[local * np.sign(lasting) <= rules.step_sudden * size] = 0.0
    best = np.argmax(size, axis=1)
    one = np.arange(len(rows))
    height = size[one, best]
    some = np.flatnonzero(height > rules.step_least)
    if not len(some):
        return rows[:0]
    whole = part[some]
    spread = running(merge(whole, second, np.maximum), 8, np.maximum)
    spread = spread - running(merge(whole, second, np.minimum), 8, np.minimum)
    scale = pick(np.sort(spread, axis=1), np.full(len(some), spread.shape[1]), 0.5)
    real = some[height[some] > rules.step_least + rules.step_share * scale]
    if not len(real):
        return rows[:0]
    where = (at[best] * second)[real]
    index = np.arange(pressure.shape[1])
    after = index >= where[:, None]
    pressure[rows[real]] -= np.where(after, lasting[one, best][real][:, None], 0.0)
    stepped[rows[real]] |= np.abs(index - where[:, None]) <= round(rules.step_margin * hz)
    return np.asarray(rows[real])
