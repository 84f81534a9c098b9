"""Breathing of a therapy, minute by minute: how far a breath swings at the device, how fast, which way up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.bedside import Bedside, mask
from pipeline.simulate.leak import autocorrelated
from pipeline.simulate.plan import Plan

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Breathing:
    """One value a minute: swing at the device (peak to trough of a typical breath), rate, upright or not."""

    swing_cmh2o: Reals
    rate_per_min: Reals
    inverted: Flags


def breathe(plan: Plan, bedside: Bedside, patent: Flags, rng: np.random.Generator) -> Breathing:
    """
    Carry the pleural swing through the tube to the device.

    A quiet breath swings the pleural pressure by a few cm[H2O] (textbook physiology, from memory);
    posture, sleep and pain move that by some tens of per cent over hours and the rate with it (our
    judgement). The tube lets a share of it through; a shut or open line lets nothing through, and
    a sagging loop full of fluid lets a quarter of it through, little by little where it `fills`, a clot
    a sixth (our judgement), and as the lung comes up the swing fades along half a cosine to a
    fiftieth. Under positive-pressure ventilation the sign is reversed and the rate is the machine's.
    """
    n = plan.minutes
    hours_long = autocorrelated(rng, n, 0.995)
    depth = np.exp(0.18 * hours_long + 0.06 * rng.standard_normal(n))
    swing = plan.swing_cmh2o * plan.transmission * depth * lung_down(plan)
    swing = swing * _let_through(plan)
    rate = plan.breath_rate_per_min * np.exp(0.07 * autocorrelated(rng, n, 0.98) - 0.04 * hours_long)
    rate = np.where(bedside.walking, rate + 5, rate)
    inverted = mask(n, plan.ventilated)
    return Breathing(
        swing_cmh2o=np.where(patent & ~bedside.checking, swing, 0.0),
        rate_per_min=np.where(inverted, 14.0, np.clip(rate, 7, 40)),
        inverted=inverted,
    )


def _let_through(plan: Plan) -> Reals:
    """Share of the swing that loops and clots in the tube let through."""
    share = np.where(mask(plan.minutes, plan.loops), 0.25, 1.0)
    for loop in plan.loops:
        if loop.note == "fills":
            inside = share[loop.start : loop.end]
            # Full after two thirds of the stretch; then it is emptied at a stroke by who finds it.
            inside[:] = 0.1 ** np.clip(np.arange(len(inside)) / (2 / 3 * loop.minutes), 0, 1)
    return np.where(mask(plan.minutes, plan.clots), share / 6, share)


def lung_down(plan: Plan) -> Reals:
    """1 while the space around the lung swings freely, fading to a fiftieth as the lung comes up."""
    if plan.expansion is None:
        return np.ones(plan.minutes)
    minute = np.arange(plan.minutes)
    share = np.clip((minute - plan.expansion.start) / plan.expansion.minutes, 0, 1)
    return np.asarray(0.02 + 0.98 * 0.5 * (1 + np.cos(np.pi * share)), dtype=np.float64)
