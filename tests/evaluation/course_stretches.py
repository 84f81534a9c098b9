"""
Stretches made by hand for pictures that neither the samples nor the fleets have in a form that teaches.

What they show is found by the rules as in any log; only the readings are laid out by hand.
"""

from __future__ import annotations

from itertools import accumulate

import numpy as np

from pipeline.course.written import Course
from tests.course.bedside import Use, course_as_logged, course_as_told

_HOUR = 60


def surge() -> Course:
    """6 mL/h, then 300 mL/h for 3 h, then 6 mL/h again."""

    def volume(minute: int) -> float:
        return round(50 + minute * 0.1 + max(0, min(minute - 240, 180)) * 5, 1)

    return course_as_told(Use(720, volume=volume))


def lung_comes_up() -> Course:
    """
    A traced lung that comes up: over ten hours the swing fades from 3 to 0.1 cm[H2O], the leak and the fluid with it.

    Nothing in it happens at once, and nobody has a hand on the drain.
    """
    n = 22 * _HOUR
    noise = np.random.default_rng(5).standard_normal((4, n))
    gone = [min(max((t - 4 * _HOUR) / (10 * _HOUR), 0.0), 1.0) for t in range(n)]
    swing = [(0.1 + 2.9 * 0.5 * (1 + np.cos(np.pi * share))) for share in gone]
    leak = [
        max(0.0, round(140 * (1 - share * 2) + 7 * noise[0, t] * (share < 0.5)))
        for t, share in enumerate(gone)
    ]
    rates = [(12 - 10.5 * share) / _HOUR for share in gone]
    volume = [round(180 + ml, 1) for ml in accumulate(rates)]
    half = [width / 2 * (1 + 0.06 * noise[1, t]) for t, width in enumerate(swing)]
    verdicts = ["present" if s >= 0.75 else "absent" if s <= 0.35 else "indeterminate" for s in swing]
    return course_as_logged(
        Use(
            n,
            breath=verdicts,
            swing=[round(float(s), 2) for s in swing],
            traces=5,
            mean=[round(-20 + 0.05 * noise[2, t], 1) for t in range(n)],
            low=[round(-20 - h - 0.05 * abs(noise[3, t]), 1) for t, h in enumerate(half)],
            high=[round(-20 + h + 0.05 * abs(noise[2, t]), 1) for t, h in enumerate(half)],
            leak=leak,
            volume=volume,
        )
    )


def stop_without_return() -> Course:
    """An untraced drain that leaks and hardly drains: after a pause leak and movement are gone, and stay gone."""
    n, stop = 12 * _HOUR, 5 * _HOUR
    noise = np.random.default_rng(7).standard_normal((3, n))
    paused = range(stop - 2, stop)
    half = [0.1 if t >= stop else 1.5 * (1 + 0.08 * noise[0, t]) for t in range(n)]
    resting = [-2.0 if t in paused else -20.0 for t in range(n)]
    return course_as_logged(
        Use(
            n,
            traces=lambda t: False,
            state=["pause" if t in paused else "run" for t in range(n)],
            mean=[round(rest + 0.05 * noise[1, t], 1) for t, rest in enumerate(resting)],
            low=[round(rest - h, 1) for rest, h in zip(resting, half, strict=True)],
            high=[round(rest + h, 1) for rest, h in zip(resting, half, strict=True)],
            leak=[0.0 if t >= stop - 2 else round(90 + 6 * noise[2, t]) for t in range(n)],
            volume=[round(140 + 0.02 * min(t, stop), 1) for t in range(n)],
        )
    )
