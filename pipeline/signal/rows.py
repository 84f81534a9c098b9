"""Operations along the rows of a block of traces: bridging gaps, runs, windows, quantiles."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]


def bridge(values: Real, gaps: Flag) -> Real:
    """Straight lines across the gaps of each row; the nearest value beyond its ends; 0 in an empty row."""
    rows = np.flatnonzero(gaps.any(axis=1))
    if not len(rows):
        return values
    part, gap = values[rows], gaps[rows]
    width = values.shape[1]
    index = np.arange(width, dtype=np.int32)
    left = np.maximum.accumulate(np.where(gap, np.int32(-1), index), axis=1)
    right = np.minimum.accumulate(np.where(gap, np.int32(width), index)[:, ::-1], axis=1)[:, ::-1]
    row, at = np.nonzero(gap)
    low, high = left[row, at], right[row, at]
    no_left, no_right = low < 0, high >= width
    low, high = np.where(no_left, high, low), np.where(no_right, low, high)
    empty = no_left & no_right
    low, high = np.where(empty, 0, low), np.where(empty, 0, high)
    before, after = part[row, low], part[row, high]
    share = (at - low) / np.maximum(high - low, 1)
    part[row, at] = np.where(empty, 0.0, before + (after - before) * share)
    out = values.copy()
    out[rows] = part
    return out


def run_lengths(flags: Flag) -> NDArray[np.int64]:
    """For every sample the length of the run of equal flags it lies in, row by row."""
    change = np.ones(flags.shape, dtype=bool)
    change[:, 1:] = flags[:, 1:] != flags[:, :-1]
    begins = np.flatnonzero(change.ravel())
    lengths = np.diff(np.append(begins, flags.size))
    return np.repeat(lengths, lengths).reshape(flags.shape)


def run_ends(flags: Flag) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Row, first sample and the one after the last of every run of set flags."""
    border = np.zeros((len(flags), 1), dtype=bool)
    inside = np.concatenate([border, flags, border], axis=1)
    row, at = np.nonzero(inside[:, 1:] != inside[:, :-1])
    return row[0::2], at[0::2], at[1::2]


def running(
    values: NDArray[Any], width: int, take: Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]]
) -> NDArray[Any]:
    """An operation such as maximum over every window of `width` neighbours: width - 1 columns fewer."""
    have = 1
    while 2 * have <= width:
        values = take(values[:, :-have], values[:, have:])
        have *= 2
    rest = width - have
    return take(values[:, :-rest], values[:, rest:]) if rest else values


def widen(flags: Flag, samples: int) -> Flag:
    """Flags grown by so many samples to either side."""
    padded = np.zeros((len(flags), flags.shape[1] + 2 * samples), dtype=bool)
    padded[:, samples : samples + flags.shape[1]] = flags
    return np.asarray(running(padded, 2 * samples + 1, np.logical_or))


def merge(
    values: NDArray[Any], by: int, take: Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]]
) -> NDArray[Any]:
    """An operation such as addition over each `by` neighbours: a column for each; the rest is dropped."""
    width = values.shape[1] // by * by
    return reduce(take, (values[:, k:width:by] for k in range(by)))


def quantile(values: Real, usable: Flag, share: float) -> Real:
    """Quantile (the order statistic below) of the usable samples of each row; 0 where there is none."""
    return pick(ordered(values, usable), usable.sum(axis=1), share)


def ordered(values: Real, usable: Flag) -> Real:
    """Each row's usable values in order, the others behind them as infinity."""
    return np.sort(values if usable.all() else np.where(usable, values, np.inf), axis=1)


def pick(inorder: Real, count: NDArray[np.int64], share: float) -> Real:
    """The quantile of rows already sorted, of which the first `count` values are known."""
    place = np.floor(share * np.maximum(count - 1, 0)).astype(np.int64)
    return np.where(count > 0, inorder[np.arange(len(inorder)), place], 0.0).astype(inorder.dtype)
