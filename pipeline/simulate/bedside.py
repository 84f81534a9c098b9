"""What happens around the bed: posture, mains and battery, and where in a plan each minute lies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.leak import autocorrelated
from pipeline.simulate.plan import Plan, Stretch

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

SELF_CHECK_MINUTES = 3


@dataclass(frozen=True)
class Bedside:
    """Masks and readings of one value a minute that do not depend on the lung."""

    checking: Flags
    failed_check: Flags
    walking: Flags
    tilt_deg: Reals
    battery_pct: Reals
    mains: Flags
    coughing: Flags
    set_pressure: Reals


def around_the_bed(plan: Plan, rng: np.random.Generator) -> Bedside:
    """
    Lay out self-checks, walks, tilt, power and coughs.

    Self-checks of three minutes open the log and each swapped device's part of it, and come again
    where the plan says so; a failed one comes before the good one. On walks the
    drain hangs at 5 to 40 degrees and runs on battery; some are left lying on their side for up to
    an hour and a half after it. A battery lasts about eleven hours and loads in four (half a day at
    a moderate leak is common practice). Coughs fall in about one minute of twenty-five, in a storm in
    three of five (our judgement).
    """
    n = plan.minutes
    first = plan.failed_checks + 1 if plan.self_check else 0
    begins = [SELF_CHECK_MINUTES * place for place in range(first)]
    checks = tuple(
        Stretch(minute, minute + SELF_CHECK_MINUTES) for minute in (*begins, *plan.swaps, *plan.rechecks)
    )
    walking = mask(n, plan.walks)
    mains = ~(walking | mask(n, _unplugged(plan, rng)))
    set_pressure = np.zeros(n)
    for minute, pressure in plan.suction:
        set_pressure[minute:] = pressure
    return Bedside(
        checking=mask(n, checks),
        failed_check=mask(n, checks[: max(first - 1, 0)]),
        walking=walking,
        tilt_deg=_tilt(plan, rng),
        battery_pct=_battery(mains),
        mains=mains,
        coughing=rng.random(n) < np.where(mask(n, plan.cough_storms), 0.6, 0.04),
        set_pressure=set_pressure,
    )


def mask(count: int, stretches: Iterable[Stretch]) -> Flags:
    """
    Which of `count` minutes lie in any of the stretches.

    Examples
    --------
    >>> mask(4, [Stretch(1, 3)]).tolist()
    [False, True, True, False]
    """
    inside = np.zeros(count, dtype=np.bool_)
    for stretch in stretches:
        inside[max(stretch.start, 0) : max(stretch.end, 0)] = True
    return inside


def _unplugged(plan: Plan, rng: np.random.Generator) -> tuple[Stretch, ...]:
    """Left off the mains after a walk, now and then until the battery complains."""
    return tuple(
        Stretch(walk.end, walk.end + int(rng.choice([30, 120, 700], p=[0.6, 0.3, 0.1])))
        for walk in plan.walks
        if rng.random() < 0.15
    )


def _tilt(plan: Plan, rng: np.random.Generator) -> Reals:
    tilt = 1.5 + 0.4 * autocorrelated(rng, plan.minutes, 0.99)
    for walk in plan.walks:
        inside = tilt[walk.start : walk.end]
        inside[:] = rng.uniform(5, 25) + 6 * rng.standard_normal(len(inside))
        if walk.note == "flat":
            after = tilt[walk.end : walk.end + int(rng.integers(15, 90))]
            after[:] = rng.uniform(60, 92) + 0.3 * rng.standard_normal(len(after))
    for fall in plan.knocked_over:
        inside = tilt[fall.start : fall.end]
        inside[:] = rng.uniform(20, 92) + 0.3 * rng.standard_normal(len(inside))
    return np.asarray(np.clip(np.abs(tilt), 0, 180), dtype=np.float64)


def _battery(mains: Flags) -> Reals:
    step = np.where(mains, 100 / (4 * 60), -100 / (11 * 60))
    edges = np.concatenate(([0], np.flatnonzero(np.diff(mains)) + 1, [len(mains)]))
    charge = np.empty(len(mains))
    level = 96.0
    for start, end in pairwise(edges):
        charge[start:end] = np.clip(level + np.cumsum(step[start:end]), 3, 100)
        if end > start:
            level = charge[end - 1]
    return charge
