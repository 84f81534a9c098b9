"""Mishaps at the bedside beyond the usual: what they do to the sensors, each from its own random stream."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.simulate.bedside import Bedside, mask
from pipeline.simulate.fluid import Fluid
from pipeline.simulate.plan import Plan, Stretch

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

# A pump of the kind moves some litres a minute; beyond the first figure it begins to lose suction and
# loses all but a sixth over the second. Our judgement: makers' figures differ.
_PUMP_HOLDS_ML_MIN = 1500.0
_PUMP_LOSES_OVER_ML_MIN = 4000.0


def changes_by_manner(fluid: Fluid, *manners: str) -> tuple[Stretch, ...]:
    """The canister changes that went in one of these manners."""
    return tuple(
        change for change, manner in zip(fluid.changes, fluid.manners, strict=True) if manner in manners
    )


def suction_held(plan: Plan) -> Reals:
    """
    Share of the ordered suction that the pump can hold against the lung's large leaks, one value a minute.

    Only these stretches load the pump: what flows otherwise it holds.
    """
    held = np.ones(plan.minutes)
    for stretch, flow in plan.large_leaks:
        share = 1 - (flow - _PUMP_HOLDS_ML_MIN) / _PUMP_LOSES_OVER_ML_MIN
        held[stretch.start : stretch.end] = np.clip(share, 1 / 6, 1.0)
    return held


def disturbed_volume(plan: Plan, bedside: Bedside, fluid: Fluid, rng: np.random.Generator) -> Reals:
    """
    What slosh and clumsy changes add to the canister's reading (mL); NaN where the device reads none.

    Carried about, the level sloshes by `plan.slosh` of the content, and half as much in the minute
    after; a canister being seated reads anything (our judgement).
    """
    n = plan.minutes
    carried = np.where(bedside.walking, 1.0, 0.0)
    settling = np.concatenate(([0.0], 0.5 * carried[:-1])) if n else carried
    error = plan.slosh * np.maximum(carried, settling) * fluid.canister_ml * rng.standard_normal(n)
    seated = mask(n, changes_by_manner(fluid, "noise"))
    error[seated] = rng.uniform(-1, 1, int(seated.sum())) * 0.6 * plan.canister_ml
    for change in changes_by_manner(fluid, "blank"):
        error[change.start : change.end + int(rng.integers(0, 8))] = np.nan
    return error


def squeezed_flow(plan: Plan, truth: pl.DataFrame, bedside: Bedside, rng: np.random.Generator) -> Reals:
    """Flow that carrying and coughing push past the sensor with no leak behind it (mL/min; our judgement)."""
    moved = bedside.walking | bedside.coughing
    open_line = ~(truth["clamped"] | truth["occluded"]).to_numpy()
    return np.where(moved & open_line, plan.bump_ml_min * rng.exponential(1.0, plan.minutes), 0.0)
