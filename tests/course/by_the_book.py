"""
Clamps, blocked tubes and lungs that come up, told by the definitions' words and not by what the code looks for.

Each story is one use of some hours with one event in it. The minute's greatest and least pressure and the traces'
verdicts follow from the true swing: a verdict may be undecided, a minute may cough, the leak is restless, a pump
ripples while air flows. What was held back behind a shut line comes when it opens.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.course.bedside import Use

Reals = NDArray[np.float64]
BEGINS, LASTS = 400, 900


@dataclass(frozen=True)
class Story:
    """
    One event and what the drain was like before it.

    `shut` from minute `BEGINS` on for so many minutes (`None`: never); `hand` on the drain just before, ending
    `delay` minutes before; `opened` in a pause of four minutes that its last three minutes begin; the lung up within `up` minutes (`None`: it stays down). Leak in mL/min, fluid in mL/h,
    swing in cm[H2O].
    """

    leak: float
    fluid: float
    swing: float
    shut: int | None = None
    hand: str = ""
    delay: int = 0
    opened: bool = False
    up: int | None = None
    rings: bool = False

    @property
    def minutes(self) -> range:
        """The minutes in which the line is shut."""
        return range(BEGINS, BEGINS + (self.shut or 0))


def lived(
    story: Story, rng: np.random.Generator, name: str, every: int | None, missing: range = range(0)
) -> Use:
    """The story as a log, with a trace every so many minutes or none; `missing` minutes were lost."""
    minute = np.arange(LASTS)
    shut = np.isin(minute, story.minutes)
    state = np.full(LASTS, "run", dtype=object)
    hand_ends = BEGINS - story.delay
    if story.hand == "pause":
        state[hand_ends - int(rng.integers(2, 6)) : hand_ends] = "pause"
    if story.opened:
        state[story.minutes.stop - 3 : story.minutes.stop + 1] = "pause"
    running = state == "run"
    down = _lung_down(story.up, minute)
    swing = np.where(shut, 0.0, story.swing * down * np.exp(0.12 * _wander(rng, 0.99)))
    leak = np.where(shut, 0.0, story.leak * down * np.exp(0.2 * _wander(rng, 0.9)))
    leak = np.where(running, leak, leak / 5)
    ripple = np.where(leak > 10, rng.uniform(0.05, 0.3, LASTS), 0.0)
    cough = np.where((rng.random(LASTS) < 0.03) & (swing > 0.5), rng.uniform(8, 30, LASTS), 0.0)
    reach = rng.uniform(1.1, 1.4, LASTS)
    sensor = np.abs(0.05 + 0.03 * rng.standard_normal((2, LASTS)))
    mean = np.where(running, -20.0, -4.0) + 0.2 * _wander(rng, 0.8)
    verdict = np.where(swing >= 0.6, "present", np.where(swing <= 0.4, "absent", "indeterminate"))
    undecided = (rng.random(LASTS) < 0.05) | ((leak > 300) & (rng.random(LASTS) < 0.1))
    verdict = np.where(undecided & (swing > 0), "indeterminate", verdict)
    offset = int(rng.integers(0, every or 1))
    return Use(
        LASTS,
        name=name,
        missing=missing,
        state=state.tolist(),
        mean=mean.round(1).tolist(),
        low=(mean - 0.6 * swing * reach - ripple - sensor[0] - 0.3 * cough).round(1).tolist(),
        high=(mean + 0.4 * swing * reach + ripple + sensor[1] + cough).round(1).tolist(),
        leak=np.clip(leak + 0.5 * rng.standard_normal(LASTS), 0, None).round().tolist(),
        volume=_volume(story, shut, down, rng).tolist(),
        alerts=_alerts(story, hand_ends, rng),
        breath=verdict.tolist(),
        swing=swing.round(2).tolist(),
        traces=lambda t: every is not None and t % every == offset,
    )


def _wander(rng: np.random.Generator, memory: float) -> Reals:
    shocks = rng.standard_normal(LASTS) * np.sqrt(1 - memory**2)
    values = np.empty(LASTS)
    level = float(rng.standard_normal())
    for minute, shock in enumerate(shocks):
        level = memory * level + shock
        values[minute] = level
    return values


def _lung_down(up: int | None, minute: NDArray[np.int64]) -> Reals:
    if up is None:
        return np.ones(LASTS)
    share = np.clip((minute - BEGINS) / up, 0, 1)
    return np.asarray(0.01 + 0.99 * 0.5 * (1 + np.cos(np.pi * share)), dtype=np.float64)


def _volume(story: Story, shut: NDArray[np.bool_], down: Reals, rng: np.random.Generator) -> Reals:
    came = story.fluid / 60 * rng.gamma(0.4, 2.5, LASTS) * down
    passed = np.where(shut, 0.0, came)
    opens = BEGINS + (story.shut or 0)
    passed[opens : opens + 10] += came[shut].sum() / 10
    volume = 40 + np.cumsum(passed)
    if story.hand == "canister":
        volume += rng.uniform(200, 500)
        changed = BEGINS - story.delay - 1
        volume[changed:] -= volume[changed]
    return np.clip(volume + 0.5 * rng.standard_normal(LASTS), 0, None).round()


def _alerts(story: Story, hand_ends: int, rng: np.random.Generator) -> list[list[str]]:
    alerts: list[list[str]] = [[] for _ in range(LASTS)]
    if story.hand == "alert":
        for minute in range(hand_ends - int(rng.integers(4, 15)), hand_ends - 1):
            alerts[minute] = ["canister_full"]
    if story.rings:
        for minute in story.minutes[10:]:
            alerts[minute] = ["line_blocked"]
    return alerts
