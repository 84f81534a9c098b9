"""Curves and tests of durations seen only in part: Kaplan–Meier, Aalen–Johansen, medians, means, log-rank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.cohort.intervals import deviate

Reals = NDArray[np.float64]


@dataclass(frozen=True)
class Counts:
    """
    At each distinct time, in minutes: who was at risk just before, and what happened then.

    `watched`: whether somebody was at risk at every moment up to then. Where all who were at risk have gone
    before the next one enters, no curve says what happened in between, nor anything from there on.
    """

    times: NDArray[np.int64]
    at_risk: NDArray[np.int64]
    ended: NDArray[np.int64]
    competing: NDArray[np.int64]
    censored: NDArray[np.int64]
    watched: NDArray[np.bool_]


def counts_of(entry: NDArray[np.int64], exit_: NDArray[np.int64], event: NDArray[np.int64]) -> Counts:
    """
    Count who is at risk and what happens at each distinct exit time.

    Somebody is at risk at t if entered before t (or at 0, when t is 0) and not out before t; events come
    before censoring at the same time.

    Parameters
    ----------
    event
        1: the leak ended; 2: a competing event; 0: censored.
    """
    times = np.unique(exit_)
    began, left = np.sort(entry), np.sort(exit_)
    entered = np.searchsorted(began, times, side="left")
    entered = np.where(times == 0, np.count_nonzero(entry == 0), entered)
    gone = np.searchsorted(left, times, side="left")
    stay = np.searchsorted(began, times, side="right") - np.searchsorted(left, times, side="right")
    from_start = np.count_nonzero(entry == 0) > 0
    watched = np.logical_and.accumulate(np.concatenate([[from_start], stay[:-1] > 0]))

    def at_times(kind: int) -> NDArray[np.int64]:
        where = np.searchsorted(times, exit_[event == kind])
        return np.bincount(where, minlength=len(times)).astype(np.int64)

    at_risk = (entered - gone).astype(np.int64)
    return Counts(times, at_risk, at_times(1), at_times(2), at_times(0), watched[: len(times)])


def kaplan_meier(counts: Counts, level: float) -> tuple[Reals, Reals, Reals]:
    """
    Share with the event still to come just after each time (Kaplan and Meier 1958), and its bounds.

    Bounds: Greenwood's variance on the log(−log) scale (Kalbfleisch and Prentice 1980); NaN where the curve
    is 1 or 0, for there it says nothing. All are NaN where nobody was watched (`Counts.watched`).

    Examples
    --------
    >>> seen = counts_of(np.zeros(4, int), np.array([1, 2, 2, 3]), np.array([1, 1, 0, 1]))
    >>> kaplan_meier(seen, 0.95)[0].tolist()
    [0.75, 0.5, 0.0]
    """
    d, n = counts.ended.astype(float), counts.at_risk.astype(float)
    survival = np.cumprod(1 - d / n)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.cumsum(d / (n * (n - d)))
        error = np.where(survival > 0, survival * np.sqrt(variance), np.nan)
    low, high = _log_log(survival, error, level)
    return _known(survival, counts), _known(low, counts), _known(high, counts)


def aalen_johansen(counts: Counts, level: float) -> tuple[Reals, Reals, Reals, Reals]:
    """
    Share met by nothing yet, cumulative incidence of the event, and the incidence's bounds.

    Aalen and Johansen 1978; bounds by the delta method on the log(−log) scale (Marubini and Valsecchi 1995;
    the formula that SAS and lifelines use), NaN where the incidence is 0 or 1.
    """
    n, d1 = counts.at_risk.astype(float), counts.ended.astype(float)
    d = d1 + counts.competing
    free = np.cumprod(1 - d / n)
    before = np.concatenate([[1.0], free[:-1]])[: len(free)]
    # While nothing else has happened it is what is left of 1, to the last digit: a sum of steps that falls
    # just short of 1 would be taken for uncertain.
    alone = np.cumsum(counts.competing) == 0
    incidence = np.where(alone, 1 - free, np.cumsum(before * d1 / n))
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.where(d > 0, d / (n * (n - d)), 0.0)
    second = np.cumsum(before**2 * d1 * (n - d1) / n**3)
    third = before * d1 / n**2
    # Sums over all earlier times of (F(t) − F(u))² a(u) and (F(t) − F(u)) c(u), by expanding the brackets.
    with np.errstate(invalid="ignore"):
        squares = _running(first, incidence, 2)
        lines = _running(third, incidence, 1)
    variance = squares + second - 2 * lines
    low, high = _log_log(incidence, np.sqrt(np.maximum(variance, 0)), level)
    return _known(free, counts), _known(incidence, counts), _known(low, counts), _known(high, counts)


def free_of_either(counts: Counts) -> Counts:
    """The same with a competing event taken as the event: what is left is met by neither."""
    nobody = np.zeros_like(counts.competing)
    return replace(counts, ended=counts.ended + counts.competing, competing=nobody)


def with_events_swapped(counts: Counts) -> Counts:
    """The same with the competing event in the place of the event, for the incidence of the former."""
    return replace(counts, ended=counts.competing, competing=counts.ended)


def reaches(time: int, counts: Counts, free: Reals) -> bool:
    """
    Whether curves say anything of a time: somebody was watched all the way, or nobody was left to be.

    Parameters
    ----------
    free
        The share met by nothing yet; where it is 0 at the last time, nothing more can happen.
    """
    whole = int(np.count_nonzero(counts.watched))
    if whole == 0:
        return False
    spent = whole == len(counts.times) and bool(free[-1] <= 0)
    return time <= int(counts.times[whole - 1]) or spent


def value_at(time: int, counts: Counts, curve: Reals, before: float) -> float:
    """
    A step curve's value just after a time; ask first whether it `reaches` so far.

    Parameters
    ----------
    curve
        A value for each of `counts.times`.
    before
        Its value before the first of them.

    Examples
    --------
    >>> seen = counts_of(np.zeros(2, int), np.array([10, 20]), np.array([1, 0]))
    >>> [value_at(t, seen, kaplan_meier(seen, 0.95)[0], 1.0) for t in (5, 10)]
    [1.0, 0.5]
    """
    place = int(np.searchsorted(counts.times, time, side="right")) - 1
    return before if place < 0 else float(curve[place])


def median_time(counts: Counts, level: float) -> tuple[float, float, float]:
    """
    The first time by which half have had the event, and its bounds; NaN where the curve does not get there.

    Bounds: where the curve's own bounds pass one half (Brookmeyer and Crowley 1982).
    """
    survival, low, high = kaplan_meier(counts, level)

    def passes(curve: Reals) -> float:
        with np.errstate(invalid="ignore"):
            there = np.flatnonzero(curve <= 0.5 + 1e-12)
        return float(counts.times[there[0]]) if len(there) else float("nan")

    return passes(survival), passes(low), passes(high)


def restricted_mean(counts: Counts, until: int, level: float) -> tuple[float, float, float]:
    """
    Mean time to the event up to a limit, and its bounds: the area under the Kaplan–Meier curve.

    Variance as in Klein and Moeschberger (Survival Analysis, section 4.5), after Greenwood; symmetric bounds
    within 0 and the limit. NaN where the curve does not reach the limit.
    """
    survival, _, _ = kaplan_meier(counts, level)
    if not reaches(until, counts, survival):
        return (float("nan"),) * 3
    inside = counts.times < until
    times = counts.times[inside].astype(float)
    steps = np.concatenate([[1.0], survival[inside]])
    edges = np.concatenate([[0.0], times, [float(until)]])
    pieces = np.diff(edges) * steps
    mean = float(np.cumsum(pieces)[-1])
    ahead = mean - np.cumsum(pieces)[:-1]  # area from each time on
    d, n = counts.ended[inside].astype(float), counts.at_risk[inside].astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(d < n, ahead**2 * d / (n * (n - d)), 0.0)
    spread = float(deviate(level) * np.sqrt(np.cumsum(np.append(0.0, terms))[-1]))
    return mean, max(mean - spread, 0.0), min(mean + spread, float(until))


def log_rank(
    groups: Sequence[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]],
) -> tuple[float, int, float]:
    """
    The log-rank test of k groups: chi-square, degrees of freedom, p (Mantel 1966; Peto and Peto 1972).

    With late entry the sets at risk are those of `counts_of`. A competing event is censoring here: the test
    compares rates of the event among those at risk. NaN where nothing can be compared.

    Parameters
    ----------
    groups
        Entry, exit and event of each; groups without anybody are left out.
    """
    held = [group for group in groups if len(group[1])]
    degrees = len(held) - 1
    times = np.unique(np.concatenate([e[k == 1] for _, e, k in held])) if held else np.empty(0, np.int64)
    if degrees < 1 or len(times) == 0:
        return float("nan"), max(degrees, 0), float("nan")
    at_risk, ended = (np.zeros((len(held), len(times))) for _ in range(2))
    for row, (entry, exit_, event) in enumerate(held):
        entered = np.searchsorted(np.sort(entry), times, side="left")
        entered = np.where(times == 0, np.count_nonzero(entry == 0), entered)
        at_risk[row] = entered - np.searchsorted(np.sort(exit_), times, side="left")
        ended[row] = np.bincount(np.searchsorted(times, exit_[event == 1]), minlength=len(times))
    n, d = at_risk.sum(axis=0), ended.sum(axis=0)
    share = at_risk / n
    excess = (ended - d * share).sum(axis=1)[:-1]
    weight = np.where(n > 1, d * (n - d) / np.maximum(n - 1, 1), 0.0)
    spread = np.diag((weight * share).sum(axis=1)) - (weight * share) @ share.T
    spread = spread[:-1, :-1]
    if np.linalg.matrix_rank(spread) < degrees:
        return float("nan"), degrees, float("nan")
    from scipy.special import chdtrc  # see `intervals.deviate`

    statistic = float(excess @ np.linalg.solve(spread, excess))
    return statistic, degrees, float(chdtrc(degrees, statistic))


def _running(weight: Reals, curve: Reals, power: int) -> Reals:
    finite = np.where(np.isfinite(weight), weight, 0.0)  # the last risk set empties: its own term is 0 · ∞
    zero, one = np.cumsum(finite), np.cumsum(finite * curve)
    if power == 1:
        return np.asarray(curve * zero - one, dtype=np.float64)
    two = np.cumsum(finite * curve**2)
    return np.asarray(curve**2 * zero - 2 * curve * one + two, dtype=np.float64)


def _log_log(estimate: Reals, error: Reals, level: float) -> tuple[Reals, Reals]:
    z = deviate(level)
    inside = (estimate > 0) & (estimate < 1)
    p = np.where(inside, estimate, 0.5)
    with np.errstate(invalid="ignore", over="ignore"):
        spread = z * np.where(inside, error, 0.0) / (p * np.abs(np.log(p)))
        ends = np.array([p ** np.exp(spread), p ** np.exp(-spread)])
    low, high = np.where(inside, ends, np.nan)
    return low, high


def _known(curve: Reals, counts: Counts) -> Reals:
    return np.where(counts.watched, curve, np.nan)
