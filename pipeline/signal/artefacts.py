"""What in a block of pressure traces is not evidence: invalid samples, a stuck sensor, steps, cough and motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d, minimum_filter1d, uniform_filter1d

from pipeline.definitions import TraceRules

Real = NDArray[np.float64]
Flag = NDArray[np.bool_]


@dataclass(frozen=True)
class Conditioned:
    """
    A block of traces made ready: artefacts masked, steps of level taken out.

    Attributes
    ----------
    pressure
        (traces, samples), cm[H2O], around 0. Where `usable` is false it holds a straight line between
        the usable neighbours, for filters to run over; no evidence is taken there.
    raw
        The same without the straight lines' meaning: equals `pressure` where usable.
    usable
        Which samples are evidence.
    invalid, saturated, flat, stepped, burst
        Why the others are not; a sample may have several reasons.
    burst_is_cough
        (traces,) whether the bursts look like cough (one-sided spikes) rather than motion.
    constant
        (traces,) whether the trace never moves at all.
    """

    pressure: Real
    usable: Flag
    invalid: Flag
    saturated: Flag
    flat: Flag
    stepped: Flag
    burst: Flag
    burst_is_cough: Flag
    constant: Flag


def condition(samples: Real, rate_hz: float, rules: TraceRules) -> Conditioned:
    """
    Mask what is not evidence in a block of traces.

    In this order: codes for no value or out of range; a stuck sensor (the same value for
    `stuck_seconds` in a trace that otherwise moves); up to two lasting steps of level (a changed set
    pressure, a posture), taken out and masked where they happen; bursts (cough, motion) by their
    energy above the breathing band, against the trace's own quiet level. A burst must carry fast
    energy: deep or fast breathing, and breathing in clusters between apnoeas, has none and is left alone.

    Parameters
    ----------
    samples
        (traces, samples) cm[H2O]; NaN no value, ±inf out of range.
    """
    saturated = np.isinf(samples)
    invalid = ~np.isfinite(samples)
    clean = np.where(invalid, 0.0, samples)
    first = np.argmax(~invalid, axis=1)
    level = np.take_along_axis(clean, first[:, None], axis=1)
    constant = np.all(invalid | (clean == level), axis=1)
    flat = _stuck(clean, invalid, rate_hz, rules) | (constant[:, None] & ~invalid)
    clipped = _clipped(clean, invalid | flat, rate_hz)
    saturated |= clipped
    bad = invalid | flat | clipped
    pressure = bridge(clean, bad)
    pressure = pressure - _middle(pressure, ~bad)[:, None]
    stepped = np.zeros_like(bad)
    for _ in range(2):
        pressure, at_step = _take_out_step(pressure, bad | stepped, rate_hz, rules)
        stepped |= at_step
    pressure = bridge(pressure, bad | stepped)
    burst, fast = _bursts(pressure, bad | stepped, rate_hz, rules)
    usable = ~(bad | stepped | burst)
    return Conditioned(
        pressure=bridge(pressure, ~usable),
        usable=usable,
        invalid=invalid & ~saturated,
        saturated=saturated,
        flat=flat,
        stepped=stepped & ~bad,
        burst=burst & ~bad,
        burst_is_cough=_one_sided(pressure, usable, burst),
        constant=constant,
    )


def bridge(values: Real, gaps: Flag) -> Real:
    """Straight lines across the gaps of each row; the nearest value beyond the ends; 0 where nothing is left."""
    width = values.shape[1]
    index = np.arange(width)
    left = np.maximum.accumulate(np.where(gaps, -1, index), axis=1)
    right = np.minimum.accumulate(np.where(gaps, width, index)[:, ::-1], axis=1)[:, ::-1]
    lone_left, lone_right = left < 0, right >= width
    low = np.where(lone_left, np.where(lone_right, 0, right), left)
    high = np.where(lone_right, low, right)
    before = np.take_along_axis(values, low, axis=1)
    after = np.take_along_axis(values, high, axis=1)
    share = (index - low) / np.maximum(high - low, 1)
    filled = np.where(gaps, before + (after - before) * share, values)
    return np.where(lone_left & lone_right, 0.0, filled)


def run_lengths(flags: Flag) -> NDArray[np.int64]:
    """For every sample the length of the run of equal flags it lies in, row by row."""
    change = np.ones(flags.shape, dtype=bool)
    change[:, 1:] = flags[:, 1:] != flags[:, :-1]
    run = np.cumsum(change.ravel()) - 1
    lengths: NDArray[np.int64] = np.bincount(run)[run].reshape(flags.shape)
    return lengths


def widen(flags: Flag, samples: int) -> Flag:
    """Flags grown by so many samples to either side."""
    grown = maximum_filter1d(flags.view(np.uint8), 2 * samples + 1, axis=1, mode="constant", cval=0)
    return np.asarray(grown > 0)


def _stuck(values: Real, invalid: Flag, rate_hz: float, rules: TraceRules) -> Flag:
    """Runs of one value, where the rest of the trace moves too often for that to be chance."""
    same = np.zeros(values.shape, dtype=bool)
    same[:, 1:] = (values[:, 1:] == values[:, :-1]) & ~invalid[:, 1:] & ~invalid[:, :-1]
    need = max(3, round(rules.stuck_seconds * rate_hz))
    long = same & (run_lengths(same) >= need - 1)
    others = ~long & ~invalid
    moves = (others & ~same).sum(axis=1)
    moving = moves >= rules.stuck_moves * np.maximum(others.sum(axis=1), 1)
    flat = long & moving[:, None]
    flat[:, :-1] |= flat[:, 1:]
    return flat


def _clipped(values: Real, gone: Flag, rate_hz: float) -> Flag:
    """Runs at the trace's own greatest or least value that begin with a jump: a rail, not a crest."""
    found = np.zeros(values.shape, dtype=bool)
    step = np.abs(np.diff(values, axis=1))
    usual = np.where(gone[:, 1:] | gone[:, :-1], 0.0, step).sum(axis=1) / np.maximum((~gone).sum(axis=1), 1)
    for extreme in (np.where(gone, -np.inf, values).max(axis=1), np.where(gone, np.inf, values).min(axis=1)):
        at = (values == extreme[:, None]) & ~gone
        long = at & (run_lengths(at) >= max(3, round(0.5 * rate_hz)))
        steep = np.zeros(values.shape, dtype=bool)
        steep[:, 1:] = long[:, 1:] & ~at[:, :-1] & (step > 4 * usual[:, None] + 0.2)
        enough = (steep.sum(axis=1) >= 1)[:, None]
        found |= long & enough
    return found


def _middle(values: Real, usable: Flag) -> Real:
    """Median of the usable samples of each row; 0 where there is none."""
    ordered = np.sort(np.where(usable, values, np.inf), axis=1)
    count = usable.sum(axis=1)
    middle = np.take_along_axis(ordered, (np.maximum(count - 1, 0) // 2)[:, None], axis=1)[:, 0]
    return np.where(count > 0, middle, 0.0)


def quantile(values: Real, usable: Flag, share: float) -> Real:
    """Quantile (the order statistic below) of the usable samples of each row; 0 where there is none."""
    ordered = np.sort(np.where(usable, values, np.inf), axis=1)
    count = usable.sum(axis=1)
    place = np.floor(share * np.maximum(count - 1, 0)).astype(np.int64)
    found = np.take_along_axis(ordered, place[:, None], axis=1)[:, 0]
    return np.where(count > 0, found, 0.0)


def _take_out_step(pressure: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> tuple[Real, Flag]:
    """The greatest lasting step of level of each row, subtracted after it and masked where it happens."""
    rows, width = pressure.shape
    near, far = round(4 * rate_hz), round(12 * rate_hz)
    aside = max(1, round(1.0 * rate_hz))
    if width < 2 * (near + aside):
        return pressure, np.zeros_like(gone)
    total = np.zeros((rows, width + 1))
    count = np.zeros((rows, width + 1))
    np.cumsum(np.where(gone, 0.0, pressure), axis=1, out=total[:, 1:])
    np.cumsum(~gone, axis=1, out=count[:, 1:])
    at = np.arange(near + aside, width - near - aside)

    def jump(reach: int) -> Real:
        after_from, after_to = at + aside, np.minimum(at + aside + reach, width)
        before_from, before_to = np.maximum(at - aside - reach, 0), at - aside
        after = (total[:, after_to] - total[:, after_from]) / np.maximum(
            count[:, after_to] - count[:, after_from], 1
        )
        before = (total[:, before_to] - total[:, before_from]) / np.maximum(
            count[:, before_to] - count[:, before_from], 1
        )
        return np.asarray(after - before)

    lasting, local = jump(far), jump(near)
    agrees = (np.sign(local) == np.sign(lasting)) & (np.abs(local) > 0.7 * np.abs(lasting))
    size = np.where(agrees, np.abs(lasting), 0.0)
    best = np.argmax(size, axis=1)
    height = np.take_along_axis(lasting, best[:, None], axis=1)[:, 0]
    scale = np.median(_local_range(pressure, round(8 * rate_hz))[:, :: max(1, round(rate_hz))], axis=1)
    real = np.take_along_axis(size, best[:, None], axis=1)[:, 0] > rules.step_least + 0.6 * scale
    where = at[best]
    index = np.arange(width)
    after = (index >= where[:, None]) & real[:, None]
    around = (np.abs(index - where[:, None]) <= aside + round(0.5 * rate_hz)) & real[:, None]
    return pressure - np.where(after, height[:, None], 0.0), around


def _local_range(values: Real, width: int) -> Real:
    """Greatest minus least value in a window around each sample."""
    found: Real = maximum_filter1d(values, width, axis=1, mode="nearest") - minimum_filter1d(
        values, width, axis=1, mode="nearest"
    )
    return found


def _bursts(pressure: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> tuple[Flag, Real]:
    """Stretches with fast energy well above the trace's own quiet level, widened and joined."""
    spread = 0.2 * rate_hz
    once = pressure - gaussian_filter1d(pressure, spread, axis=1, mode="nearest")
    fast = once - gaussian_filter1d(once, spread, axis=1, mode="nearest")
    fast = np.where(gone, 0.0, fast)
    energy = np.sqrt(
        np.maximum(uniform_filter1d(fast**2, max(3, round(0.6 * rate_hz)), axis=1, mode="nearest"), 0.0)
    )
    quiet = quantile(energy, ~gone, 0.3)
    slow = pressure - once
    body = quantile(slow, ~gone, 0.75) - quantile(slow, ~gone, 0.25)
    limit = np.maximum(rules.burst_least + 0.12 * body, rules.burst_ratio * quiet)
    burst: Flag = widen(np.asarray(energy > limit[:, None]), round(0.6 * rate_hz))
    short = ~burst & (run_lengths(burst) < round(1.5 * rate_hz))
    joined: Flag = burst | (short & widen(burst, round(1.5 * rate_hz)))
    return joined, fast


def _one_sided(pressure: Real, usable: Flag, burst: Flag) -> Flag:
    """Whether the bursts rise above the quiet level far more than they fall below it, in spikes."""
    off = np.where(burst, pressure - _middle(pressure, usable)[:, None], 0.0)
    count = np.maximum(burst.sum(axis=1), 1)
    mean = off.sum(axis=1) / count
    centred = np.where(burst, off - mean[:, None], 0.0)
    variance = (centred**2).sum(axis=1) / count
    third = (centred**3).sum(axis=1) / count
    skew = third / np.maximum(variance, 1e-9) ** 1.5
    return np.asarray(skew > 0.6)
