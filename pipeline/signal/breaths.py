"""Breath by breath in a block of conditioned traces: where the cycles are, how large, how alike."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.cycles import cycles_of, room_for
from pipeline.signal.shape import PHASES, height_of, one_sided, slow_limb
from pipeline.signal.spectrum import Bands, filtered
from pipeline.signal.swing import bounds, typical_value

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]
Whole = NDArray[np.int64]

_PHASE = ((np.arange(PHASES) + 0.5) / PHASES).astype(np.float32)[:, None]


@dataclass(frozen=True)
class Breaths:
    """
    What the cycles around one rate look like, a value a trace; NaN where there are none.

    Attributes
    ----------
    count
        Cycles seen, each as the share of it that is usable: a breath with a cough in it is part of a breath.
    whole
        Cycles without an unusable sample inside.
    covered
        Share they fill of the usable time that whole cycles of their length could fill (`room_for`).
    rate, swing, swing_low, swing_high
        Rate (per minute), median peak-to-trough (cm[H2O]) and its 95 % bounds.
    interval_cv, swing_cv
        How much length and depth vary from cycle to cycle (scaled median deviation / median).
    alike
        How alike the typical cycle is to all others laid over one another, stretched to one length:
        the median correlation.
    sharpness
        Greatest change of the common unfiltered shape within a sixteenth of the cycle, as share of
        its swing: 0.2 for a sine, near 1 for a saw-tooth.
    slow_limb
        Share of the cycle that the slower limb of that shape takes for the middle half of the swing: a
        sixth for a sine, little more for a breath, whose limbs have rests between them; near a half
        for a saw-tooth.
    one_sided
        How much more the depth varies at one end of the cycle than at the other, over the swing.
    share
        Share of the energy in the breathing band that lies around the rate and its double.
    """

    count: Real
    whole: Whole
    covered: Real
    rate: Real
    swing: Real
    swing_low: Real
    swing_high: Real
    interval_cv: Real
    swing_cv: Real
    interval_spread: Real
    swing_spread: Real
    residue: Real
    alike: Real
    share: Real
    sharpness: Real
    slow_limb: Real
    one_sided: Real

    @classmethod
    def none(cls, of: int) -> Breaths:
        """No cycles in any of `of` traces."""
        empty = {
            f.name: np.full(of, 0.0 if f.name in ("count", "whole", "covered") else np.nan)
            for f in fields(cls)
        }
        return cls(**empty)

    def spread(self, rows: Whole, of: int) -> Breaths:
        """The same for `of` traces of which these are `rows`; no cycles in the others."""
        full = Breaths.none(of)
        for field in fields(self):
            getattr(full, field.name)[rows] = getattr(self, field.name)
        return full

    def instead_of(self, other: Breaths, where: Flag) -> Breaths:
        """The other's, but for these traces."""
        return Breaths(
            **{f.name: np.where(where, getattr(self, f.name), getattr(other, f.name)) for f in fields(self)}
        )


def breaths_at(
    spectrum: Real,
    energy_below: Real,
    pressure: Real,
    usable: Flag,
    trial: Whole,
    bands: Bands,
    rules: TraceRules,
    *,
    across_gaps: bool = False,
) -> Breaths:
    """
    What the cycles around one trial rate of each trace look like.

    Cycles lie between upward crossings of the pressure filtered narrowly around the rate. Their depths are
    taken from the pressure filtered widely (its harmonics kept), and the sharpness and slow limb of their
    common shape from the pressure as it was measured.

    Parameters
    ----------
    spectrum, energy_below
        As from `spectrum_of` and `summed`.
    pressure, usable
        (traces, samples) conditioned pressure, cm[H2O], and which samples are evidence.
    trial
        (traces,) indices into `bands.rates`; -1: no rate to try, no cycles.
    across_gaps
        Whether a cycle may begin or end at an unusable sample: where gaps were filled from the rest.
    """
    passed = spectrum * bands.narrow[trial]
    in_band = energy_below[:, bands.top] - energy_below[:, bands.bottom]
    share = (passed * passed).sum(axis=1) / np.maximum(in_band, 1e-12)
    narrow = filtered(spectrum, bands.narrow[trial])
    wide = filtered(spectrum, bands.wide[trial])
    row, start, end, seen = cycles_of(narrow, usable, trial, bands.rate_hz, rules, across_gaps)
    return _measure(
        wide, pressure, usable, share, bands.blur[trial], bands.rate_hz, row, start, end, seen, rules
    )


def _measure(
    wide: Real,
    pressure: Real,
    usable: Flag,
    in_rate: Real,
    blur: Real,
    rate_hz: float,
    row: Whole,
    start: Real,
    end: Real,
    share: Real,
    rules: TraceRules,
) -> Breaths:
    rows, width = wide.shape
    most = int(np.ceil(width / rate_hz * 1.2)) + 2  # more cycles than fit at 67/min
    cycles = np.bincount(row, minlength=rows)
    first = np.cumsum(cycles) - cycles
    has = np.flatnonzero(cycles)
    place = np.arange(len(row)) - first[row]
    length = end - start

    def table(values: Real) -> Real:
        filled = np.full((rows, most), np.inf, dtype=np.float32)
        filled[row, place] = values
        return filled

    def together(values: Real) -> Real:
        out = np.zeros((PHASES, rows), dtype=np.float32)
        if len(has):
            out[:, has] = np.add.reduceat(values, first[has], axis=1)
        return out

    # Every cycle at the same phases, a phase a row.
    at = start + length * _PHASE
    below = np.floor(at)
    part = at - below
    sample = below.astype(np.int32) + row * width
    low = wide.take(sample)
    inside = wide.take(sample + 1)
    inside -= low
    inside *= part
    inside += low
    nearest = sample + (part >= 0.5)
    raw = pressure.take(nearest)
    partial = np.flatnonzero(share < 1)
    counted = cycles.astype(np.float32)
    if len(partial):
        seen = usable.take(nearest[:, partial])
        weight = np.ones(inside.shape, dtype=np.float32)
        weight[:, partial] = seen
        inside *= weight
        raw *= weight
        inside -= inside.sum(axis=0) / np.maximum(weight.sum(axis=0), 1.0)
        inside *= weight
        counted = together(weight)
    else:
        inside -= inside.mean(axis=0)
    size = np.sqrt(np.maximum((inside * inside).sum(axis=0), 1e-12))
    inside /= size
    template, shape = together(inside), together(raw) / np.maximum(counted, 1.0)
    energy = (template * template).sum(axis=0)
    common = (inside * template.take(row, axis=1)).sum(axis=0)
    energy_of, alike_to = energy[row], (common - 1) / np.sqrt(np.maximum(energy[row] - 2 * common + 1, 1e-9))
    if len(partial):
        # A part of a cycle is compared with the same part of the others.
        here, seen = inside[:, partial], weight[:, partial]
        whole = template.take(row[partial], axis=1)
        known = np.maximum(seen.sum(axis=0), 1.0)
        rest = (whole - here) * seen
        rest -= rest.sum(axis=0) / known * seen
        alike_to[partial] = (here * rest).sum(axis=0) / np.sqrt(np.maximum((rest * rest).sum(axis=0), 1e-9))
        whole = whole * seen
        whole -= whole.sum(axis=0) / known * seen
        energy_of[partial] = (whole * whole).sum(axis=0)
    alike, _, _ = typical_value(table(np.where(cycles[row] > 1, alike_to, 0.0)), cycles)

    # The depth of a cycle is how much of the common shape it holds: noise, being no part of it, adds nothing.
    depth = size * common / np.maximum(energy_of, 1e-9)
    height = height_of(template)
    depths, swing_cv, spread = typical_value(table(depth * height[row]), cycles)
    lengths = table(length / np.float32(rate_hz))
    typical, interval_cv, length_spread = typical_value(lengths, cycles)
    near = (lengths > rules.interval_least * typical[:, None]) & (
        lengths < rules.interval_most * typical[:, None]
    )
    mean_length = np.where(near, lengths, 0.0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)

    left = np.maximum(size * size * (1 - common * common / np.maximum(energy_of, 1e-9)), 0.0)
    residue = np.bincount(row, weights=left, minlength=rows) / (PHASES * np.maximum(cycles, 1))
    low_bound, high_bound = bounds(depths, spread, residue, blur, cycles, rules)
    none = cycles == 0
    room = room_for(usable, np.where(none, 0.0, mean_length * rate_hz))
    top = shape.max(axis=0) - shape.min(axis=0)
    after = np.concatenate([shape[1:], shape[:1]])
    change = np.abs(after - shape).max(axis=0)
    return Breaths(
        count=np.asarray(np.bincount(row, weights=share, minlength=rows), dtype=np.float64),
        whole=cycles,
        covered=np.minimum(
            np.bincount(row, weights=length * share, minlength=rows) / np.maximum(room, 1.0), 1.0
        ),
        rate=np.where(none, np.nan, 60.0 / np.where(none, 1.0, np.maximum(mean_length, 1e-9))),
        swing=depths,
        swing_low=low_bound,
        swing_high=high_bound,
        interval_cv=interval_cv,
        swing_cv=swing_cv,
        interval_spread=length_spread / np.maximum(typical, 1e-9),
        swing_spread=spread / np.maximum(depths, 1e-9),
        residue=residue / np.maximum(depths, 1e-9) ** 2,
        alike=alike,
        share=in_rate,
        sharpness=np.where(none, np.nan, change / np.maximum(top, 1e-6)),
        slow_limb=slow_limb(shape, top),
        one_sided=one_sided(raw, template, row, start, end, share, rows) / np.maximum(depths, 1e-9),
    )
