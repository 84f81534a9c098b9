"""Fluid of a therapy: what leaves the chest, the canisters it fills, and when staff change them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.simulate.plan import Plan, Stretch

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]
Wholes = NDArray[np.int64]


@dataclass(frozen=True)
class Fluid:
    """Fluid into canisters since minute 0 (mL), which one is fitted, and when and how they are changed."""

    output_ml: Reals
    canister_no: Wholes
    canister_ml: Reals
    changes: tuple[Stretch, ...]
    forgotten: tuple[Stretch, ...]
    manners: tuple[str, ...]


def drain_fluid(plan: Plan, blocked: Flags, rng: np.random.Generator) -> Fluid:
    """
    Let fluid run, dam it up where the line is shut, and change canisters as they fill.

    The rate falls exponentially to a floor (common course after chest surgery, from memory) and
    comes in spurts (a gamma of small shape; our judgement). What a shut line holds back runs out
    within about a quarter of an hour after it opens; behind a blocked tube at least 25 to 60 mL
    gather (our judgement). A canister is changed 5 to 75 minutes after it is 95 % full: suction
    paused two to four minutes, the line clamped meanwhile, and now and then left clamped
    afterwards (`plan.forgotten_clamps`). A swapped device comes with its own canister. A clot lets a
    third of the fluid through (our judgement).

    Parameters
    ----------
    blocked
        Minutes in which nothing passes the line, canister changes not counted.
    """
    inflow = _inflow(plan, rng)
    _gather_behind_occlusions(plan, inflow, rng)
    for surge, ml_h in plan.surges:
        inflow[surge.start : surge.end] += ml_h / 60
    for clot in plan.clots:
        inflow[clot.start : clot.end] *= 0.3
    shut = blocked.copy()
    into = _dammed(inflow, shut)
    no = np.ones(plan.minutes, dtype=np.int64)
    changes: list[Stretch] = []
    forgotten: list[Stretch] = []
    fitted = 0
    after_change = dict(plan.forgotten_clamps)
    swaps = sorted(plan.swaps, reverse=True)
    early = sorted(plan.early_changes, reverse=True)
    while True:
        filled = np.cumsum(into[fitted:])
        full = int(np.searchsorted(filled, 0.95 * plan.canister_ml)) + fitted
        begins = full + int(rng.integers(5, 75))
        # Nobody changes a canister that was fitted within the hour.
        while early and early[-1] <= fitted + 60:
            early.pop()
        if early and early[-1] < begins:
            begins = early.pop()
        ends = begins + int(rng.integers(2, 5))
        if swaps and swaps[-1] <= ends:
            fitted = swaps.pop()
            no[fitted:] += 1
            continue
        if ends + 5 >= plan.minutes:
            break
        clamp = after_change.get(len(changes) + 1, 0)
        changes.append(Stretch(begins, ends))
        if clamp:
            forgotten.append(Stretch(ends, min(ends + clamp, plan.minutes)))
        shut[begins : ends + clamp] = True
        into = _dammed(inflow, shut)
        fitted = begins + 1
        no[fitted:] += 1
    output = np.cumsum(into)
    usual = plan.change_manners or ("pause",)
    manners = tuple(usual[place % len(usual)] for place in range(len(changes)))
    return Fluid(output, no, _in_canister(output, no), tuple(changes), tuple(forgotten), manners)


def _inflow(plan: Plan, rng: np.random.Generator) -> Reals:
    hours = np.arange(plan.minutes) / 60.0
    over = max(plan.fluid_first_ml_h - plan.fluid_floor_ml_h, 0.0)
    rate = plan.fluid_floor_ml_h + over * 0.5 ** (hours / plan.fluid_half_life_h)
    shape = 0.4
    return np.asarray(rate / 60.0 * rng.gamma(shape, 1 / shape, plan.minutes), dtype=np.float64)


def _gather_behind_occlusions(plan: Plan, inflow: Reals, rng: np.random.Generator) -> None:
    for blockage in plan.occlusions:
        held = inflow[blockage.start : blockage.end].sum()
        wanted = rng.uniform(25, 60)
        if 0 < held < wanted:
            inflow[blockage.start : blockage.end] *= wanted / held


def _dammed(inflow: Reals, shut: Flags) -> Reals:
    """What reaches the canister when shut minutes hold their share back until the line opens."""
    into = np.where(shut, 0.0, inflow)
    edges = np.diff(np.concatenate(([0], shut.view(np.int8), [0])))
    fades = np.exp(-np.arange(20) / 5.0)
    for start, end in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        opened = into[end : end + 20]
        free = np.cumprod(~shut[end : end + 20])
        share = fades[: len(opened)] * free
        if share.sum() > 0:
            opened += inflow[start:end].sum() * share / share.sum()
    return into


def _in_canister(output: Reals, no: Wholes) -> Reals:
    starts = np.flatnonzero(np.diff(no)) + 1
    before = np.concatenate(([0.0], output[starts - 1]))
    return output - before[no - 1]
