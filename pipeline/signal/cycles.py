"""Where the cycles of a block of traces are: between the upward crossings of the narrow-band pressure."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.rows import run_ends

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]
Whole = NDArray[np.int64]


def cycles_of(
    narrow: Real, usable: Flag, trial: Whole, rate_hz: float, rules: TraceRules, across_gaps: bool
) -> tuple[Whole, Real, Real, Real]:
    """Row, start and end (in samples, fractional) and usable share of every cycle."""
    width = narrow.shape[1]
    size = np.abs(narrow)
    if usable.all():
        need = rules.cycle_least * size.mean(axis=1)
    else:
        need = rules.cycle_least * np.where(usable, size, 0.0).sum(axis=1) / np.maximum(usable.sum(axis=1), 1)
    # Half-waves between changes of sign; one that is small in its middle is part of its neighbours.
    positive = narrow >= 0
    change = np.ones(narrow.shape, dtype=bool)
    np.not_equal(positive[:, 1:], positive[:, :-1], out=change[:, 1:])
    at = np.flatnonzero(change)
    row = at // width
    middle = (at + np.append(at[1:], narrow.size)) // 2
    clear = np.flatnonzero(size.take(middle) > need[row])
    at, row = at[clear], row[clear]
    above = positive.take(at)
    turns = np.flatnonzero(above[1:] & ~above[:-1] & (row[1:] == row[:-1])) + 1
    cross, row = at[turns], row[turns]
    over, under = narrow.take(cross), narrow.take(cross - 1)
    exact = (cross - row * width).astype(np.float32) - over / np.maximum(over - under, 1e-12)
    length = exact[1:] - exact[:-1]
    shortest, longest = (
        60.0 / (rules.cycle_margin * rules.fastest) * rate_hz,
        60.0 * rules.cycle_margin / rules.slowest * rate_hz,
    )
    good = (row[1:] == row[:-1]) & (trial[row[1:]] >= 0) & (length >= shortest) & (length <= longest)
    pair = np.flatnonzero(good)
    share = np.ones(len(pair), dtype=np.float32)
    holed = np.asarray(~usable.all(axis=1))
    if holed.any():
        some = np.flatnonzero(holed[row[pair]])
        begin, until = cross[pair[some]], cross[pair[some] + 1]
        gone = np.zeros(narrow.size + 1, dtype=np.int32)
        np.cumsum(~usable.ravel(), out=gone[1:])
        seen = 1 - (gone[until] - gone[begin]) / (until - begin)
        flat = usable.ravel()
        ends = flat[begin] & flat[until] & flat[begin - 1] & flat[until - 1]
        ends |= across_gaps
        share[some] = np.where(ends & (seen >= rules.cycle_seen), seen, 0.0)
        keep = share > 0
        pair, share = pair[keep], share[keep]
    return row[pair], exact[pair], exact[pair + 1], share


def room_for(usable: Flag, length: Real) -> Real:
    """
    Samples that whole cycles can be expected to fill: of each usable stretch all but one cycle's length.

    Cut at any phase, a stretch loses on average half a cycle at either end; one shorter than a cycle holds
    none. Without this, breathing between coughs would be blamed for the gaps.

    Parameters
    ----------
    usable
        (traces, samples) which samples are evidence.
    length
        (traces,) length of a cycle, samples; 0 where there is none.
    """
    cycle = np.asarray(length, dtype=np.float64)
    room: NDArray[np.float64] = np.maximum(usable.shape[1] - cycle, 0.0)
    rows = np.flatnonzero(~usable.all(axis=1))
    if len(rows):
        row, begin, end = run_ends(usable[rows])
        left = np.maximum((end - begin) - cycle[rows][row], 0.0)
        room[rows] = np.bincount(row, weights=left, minlength=len(rows))
    return room
