"""The typical one of a trace's cycles, how much they differ, and the bounds of a typical swing."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules

Real = NDArray[np.floating[Any]]
Whole = NDArray[np.int64]


def bounds(
    swing: Real, spread: Real, residue: Real, blur: Real, cycles: Whole, rules: TraceRules
) -> tuple[Real, Real]:
    """
    95 % bounds of a median swing: what sampling, filtering and noise may have done to it.

    Parameters
    ----------
    swing, spread
        Median depth of the cycles and its standard deviation from cycle to cycle, cm[H2O].
    residue
        Mean square, a phase, of what of the cycles is not their common shape, cm[H2O] squared.
    blur
        How much more than at a slow rate the filter rounds the cycles off; 1: not at all.
    cycles
        How many there are.

    Returns
    -------
    (low, high): the median of n normal values has 1.2533 times the standard error of their mean
    (asymptotically); the lower bound is not below 0.
    """
    n = np.maximum(cycles, 2).astype(np.float64)
    sampling = _student()[np.minimum(cycles.clip(2) - 1, 999)] * 1.2533 * spread / np.sqrt(n)
    error = np.sqrt(sampling**2 + (rules.swing_error * blur * swing) ** 2 + 7.7 * residue / n)
    return np.maximum(swing - error, 0.0), swing + error


def typical_value(values: Real, count: Whole) -> tuple[Real, Real, Real]:
    """Median of each row's first `count` values, their scaled median deviation as its share, their spread."""
    middle = median(values, count)
    off = np.abs(values - middle[:, None])
    # 1.4826 makes the median deviation of normal values their standard deviation; few values have less.
    usual = 1.4826 * median(off, count) * np.sqrt(np.maximum(count, 1) / np.maximum(count - 0.8, 0.2))
    # The standard deviation with outliers drawn in to three times the usual one.
    off = np.where(np.isfinite(off), np.minimum(off, 3 * usual[:, None]), 0.0)
    spread = np.sqrt((off * off).sum(axis=1) / np.maximum(count - 1, 1))
    some = count >= 2
    return (
        middle,
        np.where(some, usual / np.maximum(np.abs(middle), 1e-9), np.nan),
        np.where(some, spread, np.nan),
    )


def median(values: Real, count: Whole) -> Real:
    """Median of the `count` known values of each row, after which it is infinite; NaN where there is none."""
    inorder = np.sort(values, axis=1)
    row, last = np.arange(len(inorder)), np.maximum(count - 1, 0)
    middle = 0.5 * (inorder[row, last // 2] + inorder[row, (last + 1) // 2])
    return np.where(count > 0, middle, np.nan)


@cache
def _student() -> Real:
    """Student's t, two-sided 95 %, by degrees of freedom from 0."""
    from scipy.special import stdtrit  # as in `spectrum`

    return np.concatenate([[np.inf], stdtrit(np.arange(1.0, 1000.0), 0.975)])
