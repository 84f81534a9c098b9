"""Intervals of a proportion: Wilson and exact, for whole columns at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Bounds = tuple[NDArray[np.float64], NDArray[np.float64]]


def wilson(events: ArrayLike, number: ArrayLike, level: float) -> Bounds:
    """
    Wilson's score interval of events / number (Wilson 1927; method 3 of Newcombe 1998).

    It keeps its coverage for small numbers and for none or all, where the textbook interval fails.
    NaN where number is 0: without anybody nothing is known.

    Examples
    --------
    >>> low, high = wilson([81, 0], [263, 20], 0.95)
    >>> low.round(4).tolist(), high.round(4).tolist()
    ([0.2553, 0.0], [0.3662, 0.1611])
    """
    k, n = _checked(events, number)
    z = deviate(level)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = k / n
        centre = share + z * z / (2 * n)
        half = z * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
        scale = 1 + z * z / n
        low = np.where(k == 0, 0.0, (centre - half) / scale)
        high = np.where(k == n, 1.0, (centre + half) / scale)
    return _known(low, n), _known(high, n)


def exact(events: ArrayLike, number: ArrayLike, level: float) -> Bounds:
    """
    Exact interval of events / number (Clopper and Pearson 1934), by quantiles of the beta distribution.

    Never covers less than its level, mostly more. NaN where number is 0.

    Examples
    --------
    >>> low, high = exact([0], [20], 0.95)
    >>> low.round(4).tolist(), high.round(4).tolist()
    ([0.0], [0.1684])
    """
    from scipy.stats import beta  # see `deviate`; no load asks for this interval

    k, n = _checked(events, number)
    tail = (1 - level) / 2
    low = np.where(k == 0, 0.0, beta.ppf(tail, k, n - k + 1))
    high = np.where(k == n, 1.0, beta.ppf(1 - tail, k + 1, n - k))
    return _known(low, n), _known(high, n)


def deviate(level: float) -> float:
    """
    Standard deviations that hold the middle `level` of a normal distribution.

    Examples
    --------
    >>> round(deviate(0.95), 4)
    1.96
    """
    # A command that states no interval need not wait for this import. That of `scipy.stats`, which asks the
    # same function, takes four times as long: a second of every load.
    from scipy.special import ndtri

    return float(ndtri((1 + level) / 2))


def _checked(events: ArrayLike, number: ArrayLike) -> Bounds:
    k, n = np.broadcast_arrays(np.asarray(events, dtype=float), np.asarray(number, dtype=float))
    if bool(np.any((k < 0) | (k > n))):
        raise ValueError("events must lie between 0 and the number they are counted among")
    return k, n


def _known(bound: NDArray[np.float64], number: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(number > 0, bound, np.nan)
