"""The lung's air leak over a therapy: how much air would leave through an open tube, minute by minute."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from pipeline.simulate.plan import Plan

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]


def lung_leak(plan: Plan, set_pressure: Reals, rng: np.random.Generator) -> tuple[Reals, Reals]:
    """
    The leak the lung has, and the same with its minute-to-minute unrest.

    The course is geometric from the first to the last value, stands still in plateaus, and closes
    within half an hour: a hole that is sealed by fibrin and the chest wall closes at the end rather
    than thinning out for ever (our judgement). Weaker suction draws less air, as its 0.3rd power
    (our judgement: between no dependence and an orifice's square root). Around it an
    autocorrelated unrest of about a quarter, and spikes of two to four times for some minutes
    (talking, straining) three times a day (our judgement).

    Parameters
    ----------
    set_pressure
        Ordered pressure of each minute, cm[H2O].

    Returns
    -------
    trend, leak
        mL/min, one value a minute; `trend` is what the truth about the leak's end rests on.
    """
    trend = _trend(plan) * (np.abs(set_pressure) / 20.0) ** 0.3
    unrest = np.exp(0.25 * autocorrelated(rng, plan.minutes, 0.9))
    return trend, trend * unrest * _spikes(plan, rng) + _blips(plan, rng)


def autocorrelated(rng: np.random.Generator, count: int, memory: float) -> Reals:
    """
    First-order autoregressive noise of unit variance.

    Examples
    --------
    >>> autocorrelated(np.random.default_rng(1), 4, 0.0).shape
    (4,)
    """
    shocks = rng.standard_normal(count) * np.sqrt(1 - memory**2)
    if count:
        shocks[0] /= np.sqrt(1 - memory**2)
    return np.asarray(lfilter([1.0], [1.0, -memory], shocks), dtype=np.float64)


def _trend(plan: Plan) -> Reals:
    minute = np.arange(plan.minutes)
    trend = np.zeros(plan.minutes)
    if plan.sealed_minute > 0:
        horizon = np.ones(plan.sealed_minute)
        for plateau in plan.plateaus:
            horizon[plateau.start : plateau.end] = 0.0
        progress = np.cumsum(horizon) / max(horizon.sum(), 1.0)
        course = plan.leak_first_ml_min * (plan.leak_last_ml_min / plan.leak_first_ml_min) ** progress
        within = min(plan.sealed_minute, plan.minutes)
        closing = np.clip((plan.sealed_minute - minute[:within]) / 30.0, 0.0, 1.0)
        trend[:within] = course[:within] * closing
    for again in plan.recurrences:
        trend[again.start : again.end] = plan.leak_last_ml_min
    for stretch, flow in plan.large_leaks:
        trend[stretch.start : stretch.end] = np.maximum(trend[stretch.start : stretch.end], flow)
    return trend


def _spikes(plan: Plan, rng: np.random.Generator) -> Reals:
    factor = np.ones(plan.minutes)
    for start in rng.integers(0, max(plan.minutes, 1), rng.poisson(3 * plan.minutes / 1440)):
        length = int(rng.integers(2, 12))
        factor[start : start + length] *= rng.uniform(2, 4)
    return factor


def _blips(plan: Plan, rng: np.random.Generator) -> Reals:
    extra = np.zeros(plan.minutes)
    for blip in plan.blips:
        extra[blip.start : blip.end] += rng.uniform(25, 80)
    return extra
