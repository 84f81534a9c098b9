"""Breath by breath in a block of conditioned traces: where the cycles are, how large, how alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct, idct
from scipy.special import stdtrit

from pipeline.definitions import TraceRules

Real = NDArray[np.float64]
Flag = NDArray[np.bool_]
Whole = NDArray[np.int64]

_BINS = 16  # phase bins of the folded breath


@dataclass(frozen=True)
class Spectrum:
    """
    Cosine spectrum of a block: the trace continued by its own mirror image, so that ends do not jump.

    Attributes
    ----------
    coefficients
        (traces, samples), orthonormal.
    per_min
        (samples,) frequency of each, cycles per minute.
    averaged
        (samples,) what is left of each after the samples were averaged down; `band` makes good for it.
    """

    coefficients: Real
    per_min: Real
    averaged: Real

    def band(self, low: Real, flat_from: Real, flat_to: Real, high: Real) -> Real:
        """The part of each trace within its own band, zero phase, with raised-cosine flanks."""
        f = self.per_min
        rise = np.clip((f - low[:, None]) / np.maximum(flat_from - low, 1e-9)[:, None], 0.0, 1.0)
        fall = np.clip((high[:, None] - f) / np.maximum(high - flat_to, 1e-9)[:, None], 0.0, 1.0)
        gain = 0.25 * (1 - np.cos(np.pi * rise)) * (1 - np.cos(np.pi * fall)) / self.averaged
        passed: Real = idct(self.coefficients * gain, type=2, norm="ortho", axis=1)
        return passed


def spectrum_of(pressure: Real, usable: Flag, rate_hz: float, averaged_seconds: float) -> Spectrum:
    """Cosine spectrum, less the straight line through the usable samples, of means over `averaged_seconds`."""
    width = pressure.shape[1]
    t = np.linspace(-1.0, 1.0, width) if width > 1 else np.zeros(1)
    w = usable.astype(np.float64)
    n = np.maximum(w.sum(axis=1), 1.0)
    mean_t = (w * t).sum(axis=1) / n
    mean_x = (w * pressure).sum(axis=1) / n
    dt = t - mean_t[:, None]
    slope = (w * dt * (pressure - mean_x[:, None])).sum(axis=1) / np.maximum((w * dt**2).sum(axis=1), 1e-9)
    level = pressure - mean_x[:, None] - slope[:, None] * dt
    coefficients: Real = dct(level, type=2, norm="ortho", axis=1)
    per_min = np.arange(width) * rate_hz * 60.0 / (2 * width)
    return Spectrum(coefficients, per_min, np.sinc(per_min / 60.0 * averaged_seconds))


def candidates(spectrum: Spectrum, rules: TraceRules) -> tuple[Real, Real]:
    """
    The two strongest rates of each trace within the breathing band.

    Energy is summed over a band of ±18 % around each trial rate, so that breathing whose intervals
    vary is not split over many lines. The fundamental of a breath is its strongest harmonic, so the
    greatest sum is the rate, not its double; a rate must be a local maximum over a range that
    reaches into the heart's, so that the flank of a pulse is no breath.

    Returns
    -------
    (first, second), each (traces,), per minute; NaN where there is none.
    """
    f, power = spectrum.per_min, spectrum.coefficients**2
    grid = np.exp(np.arange(np.log(0.85 * rules.slowest), np.log(170.0), 0.04))
    running = np.zeros((power.shape[0], power.shape[1] + 1))
    np.cumsum(power, axis=1, out=running[:, 1:])
    step = f[1] - f[0] if len(f) > 1 else 1.0
    reach = np.maximum(0.18 * grid, 1.2 * step)
    low = np.clip(np.ceil((grid - reach) / step).astype(np.int64), 0, len(f))
    high = np.clip(np.floor((grid + reach) / step).astype(np.int64) + 1, 0, len(f))
    energy = running[:, high] - running[:, low]
    peak = np.zeros(energy.shape, dtype=bool)
    peak[:, 1:-1] = (energy[:, 1:-1] >= energy[:, :-2]) & (energy[:, 1:-1] > energy[:, 2:])
    in_band = (grid >= rules.slowest * 0.95) & (grid <= rules.fastest * 1.05)
    first, found_first = _strongest(grid, np.where(peak & in_band, energy, -1.0))
    apart = np.abs(np.log(grid[None, :] / first[:, None])) > 0.3
    second, found_second = _strongest(grid, np.where(peak & in_band & apart, energy, -1.0))
    return np.where(found_first, first, np.nan), np.where(found_second, second, np.nan)


def pulse(spectrum: Spectrum, usable: Flag, rules: TraceRules) -> Flag:
    """Whether a narrow line of the heart's size stands out between 52 and 145/min."""
    f, power = spectrum.per_min, spectrum.coefficients**2
    step = f[1] - f[0] if len(f) > 1 else 1.0
    running = np.zeros((power.shape[0], power.shape[1] + 1))
    np.cumsum(power, axis=1, out=running[:, 1:])
    grid = np.exp(np.arange(np.log(52.0), np.log(145.0), 0.04))

    def within(reach: float) -> Real:
        wide = np.maximum(reach * grid, 1.2 * step)
        low = np.clip(np.ceil((grid - wide) / step).astype(np.int64), 0, len(f))
        high = np.clip(np.floor((grid + wide) / step).astype(np.int64) + 1, 0, len(f))
        return np.asarray(running[:, high] - running[:, low])

    line, around = within(0.06), within(0.25)
    best = np.argmax(line, axis=1)[:, None]
    line, around = (
        np.take_along_axis(line, best, axis=1)[:, 0],
        np.take_along_axis(around, best, axis=1)[:, 0],
    )
    size = 2.0 * np.sqrt(2.0 * line / np.maximum(usable.sum(axis=1), 1))
    return np.asarray((size > rules.heart_least) & (line > 0.6 * around))


def _strongest(grid: Real, energy: Real) -> tuple[Real, Flag]:
    best = np.argmax(energy, axis=1)
    return grid[best], np.take_along_axis(energy, best[:, None], axis=1)[:, 0] > 0.0


@dataclass(frozen=True)
class Breaths:
    """
    What the cycles around one rate look like, a value a trace; NaN where there are none.

    Attributes
    ----------
    count
        Whole cycles seen without an artefact inside.
    covered
        Share of the usable time that lies in them.
    rate, swing, swing_low, swing_high
        Median rate (per minute), median peak-to-trough (cm[H2O]) and its 95 % bounds.
    interval_cv, swing_cv
        How much length and depth vary from cycle to cycle (standard deviation / mean).
    alike
        Share of the variance within cycles that one common shape, stretched to each cycle's
        length, explains.
    sharpness
        Greatest change of the common unfiltered shape within a sixteenth of the cycle, as share of
        its swing: 0.2 for a sine, near 1 for a saw-tooth.
    edge
        Median share of a cycle's swing that is done within half a second: near 1 for a pump's pull.
    """

    count: Whole
    covered: Real
    rate: Real
    swing: Real
    swing_low: Real
    swing_high: Real
    interval_cv: Real
    swing_cv: Real
    alike: Real
    sharpness: Real
    edge: Real


def breaths_at(
    spectrum: Spectrum,
    pressure: Real,
    steps: Real,
    usable: Flag,
    rate_hz: float,
    per_min: Real,
    rules: TraceRules,
) -> Breaths:
    """
    Cut each trace into cycles around its rate and measure them.

    Cycles run from one upward crossing of the mid-level to the next on the zero-phase signal from
    0.35 to 2.2 times the rate, with hysteresis; they are measured on a wider one (up to five times
    the rate). A cycle with an unusable sample inside does not count.

    Parameters
    ----------
    pressure
        The unfiltered trace, for the sharpness of its shape.
    steps
        Change of the pressure over half a second from each sample on, as absolute value.
    """
    f0 = np.where(np.isnan(per_min), 15.0, per_min)
    narrow = spectrum.band(0.35 * f0, 0.65 * f0, 1.5 * f0, 2.2 * f0)
    top = np.minimum(5.0 * f0, 120.0)
    wide = spectrum.band(0.2 * f0, 0.5 * f0, np.maximum(0.6 * top, 1.3 * f0), np.maximum(top, 2.0 * f0))
    row, start, end = _cycles(narrow, usable, rate_hz, rules)
    keep = ~np.isnan(per_min)[row]
    return _measure(wide, pressure, steps, usable, rate_hz, row[keep], start[keep], end[keep], rules)


def _cycles(narrow: Real, usable: Flag, rate_hz: float, rules: TraceRules) -> tuple[Whole, Real, Real]:
    """Row, start and end (in samples, fractional) of every whole usable cycle."""
    rows, width = narrow.shape
    w = usable.astype(np.float64)
    strength = np.sqrt((w * narrow**2).sum(axis=1) / np.maximum(w.sum(axis=1), 1.0))
    need = 0.3 * strength[:, None]
    index = np.arange(width)
    mark = np.where(narrow > need, 1, np.where(narrow < -need, -1, 0))
    last = np.maximum.accumulate(np.where(mark != 0, index, -1), axis=1)
    side = np.where(last >= 0, np.take_along_axis(mark, np.maximum(last, 0), axis=1), 0)
    rising = np.zeros(narrow.shape, dtype=bool)
    rising[:, 1:] = (side[:, 1:] == 1) & (side[:, :-1] == -1)
    upward = np.zeros(narrow.shape, dtype=bool)
    upward[:, 1:] = (narrow[:, 1:] >= 0) & (narrow[:, :-1] < 0)
    crossing = np.maximum.accumulate(np.where(upward, index, 0), axis=1)
    row, at = np.nonzero(rising)
    cross = crossing[row, at]
    above, below = narrow[row, cross], narrow[row, np.maximum(cross - 1, 0)]
    exact = cross - np.where(above > below, above / np.maximum(above - below, 1e-12), 0.0)
    same = row[1:] == row[:-1]
    row, start, end = row[:-1][same], exact[:-1][same], exact[1:][same]
    length = end - start
    gone = np.zeros((rows, width + 1), dtype=np.int64)
    np.cumsum(~usable, axis=1, out=gone[:, 1:])
    first = np.clip(np.ceil(start).astype(np.int64), 0, width)
    last_one = np.clip(np.ceil(end).astype(np.int64), 0, width)
    clean = gone[row, last_one] == gone[row, first]
    shortest, longest = 60.0 / (1.4 * rules.fastest) * rate_hz, 60.0 / (0.7 * rules.slowest) * rate_hz
    good = clean & (length >= shortest) & (length <= longest)
    return row[good], start[good], end[good]


def _measure(
    wide: Real,
    pressure: Real,
    steps: Real,
    usable: Flag,
    rate_hz: float,
    row: Whole,
    start: Real,
    end: Real,
    rules: TraceRules,
) -> Breaths:
    rows, width = wide.shape
    count = np.bincount(row, minlength=rows)
    most = int(np.ceil(width / rate_hz * 1.2)) + 2  # more cycles than fit at 67/min
    place = np.arange(len(row)) - np.concatenate([[0], np.cumsum(count)])[row]
    lengths = np.full((rows, most), np.nan)
    swings = np.full((rows, most), np.nan)
    lengths[row, place] = (end - start) / rate_hz
    first = np.ceil(start).astype(np.int64)
    last = np.ceil(end).astype(np.int64)
    edges = np.empty(2 * len(row), dtype=np.int64)
    edges[0::2], edges[1::2] = row * width + first, row * width + last
    pulls = np.full((rows, most), np.nan)
    if len(row):
        flat = np.append(wide.ravel(), 0.0)
        swings[row, place] = (np.maximum.reduceat(flat, edges) - np.minimum.reduceat(flat, edges))[0::2]
        pulls[row, place] = np.maximum.reduceat(np.append(steps.ravel(), 0.0), edges)[0::2]
        pulls[row, place] /= np.maximum(
            np.maximum.reduceat(np.append(pressure.ravel(), 0.0), edges)[0::2]
            - np.minimum.reduceat(np.append(pressure.ravel(), 0.0), edges)[0::2],
            1e-9,
        )
    swing, swing_cv, error = _typical(swings, count)
    edge, _, _ = _typical(pulls, count)
    length, interval_cv, _ = _typical(lengths, count)
    near = np.isfinite(lengths) & (lengths > 0.5 * length[:, None]) & (lengths < 1.6 * length[:, None])
    length = np.where(near, lengths, 0.0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    alike, sharpness = _fold(wide, pressure, row, start, end)
    seconds = np.bincount(row, weights=end - start, minlength=rows)
    none = count == 0
    return Breaths(
        count=count,
        covered=seconds / np.maximum(usable.sum(axis=1), 1),
        rate=np.where(none, np.nan, 60.0 / np.where(none, 1.0, np.maximum(length, 1e-9))),
        swing=swing,
        swing_low=np.maximum(swing - np.hypot(error, rules.swing_error * swing), 0.0),
        swing_high=swing + np.hypot(error, rules.swing_error * swing),
        interval_cv=interval_cv,
        swing_cv=swing_cv,
        alike=alike,
        sharpness=sharpness,
        edge=edge,
    )


def _typical(values: Real, count: Whole) -> tuple[Real, Real, Real]:
    """Median of each row, coefficient of variation, and half the width of the median's 95 % interval."""
    ordered = np.sort(values, axis=1)
    low = np.maximum(count - 1, 0) // 2
    high = np.maximum(count, 1) // 2
    high = np.minimum(high, np.maximum(count - 1, 0))
    median = (
        0.5
        * (
            np.take_along_axis(ordered, low[:, None], axis=1)
            + np.take_along_axis(ordered, high[:, None], axis=1)
        )[:, 0]
    )
    known = np.isfinite(values)
    n = np.maximum(count, 1)
    mean = np.where(known, values, 0.0).sum(axis=1) / n
    square = (np.where(known, values - mean[:, None], 0.0) ** 2).sum(axis=1) / np.maximum(n - 1, 1)
    spread = np.sqrt(square)
    reach = stdtrit(np.maximum(n - 1, 1).astype(np.float64), 0.975) * 1.2533 * spread / np.sqrt(n)
    few = count < 2
    return (
        median,
        np.where(few, np.nan, spread / np.maximum(mean, 1e-9)),
        np.where(few, np.nan, reach),
    )


def _fold(wide: Real, pressure: Real, row: Whole, start: Real, end: Real) -> tuple[Real, Real]:
    """Lay the cycles of a trace over one another by phase: how alike they are, how sharp their shape is."""
    rows = len(wide)
    first = np.ceil(start).astype(np.int64)
    size = np.ceil(end).astype(np.int64) - first
    cycle = np.repeat(np.arange(len(row)), size)
    inside = np.arange(len(cycle)) - np.repeat(np.cumsum(size) - size, size)
    sample = first[cycle] + inside
    phase = (sample - start[cycle]) / (end - start)[cycle]
    place = row[cycle] * _BINS + np.minimum((phase * _BINS).astype(np.int64), _BINS - 1)
    value = wide[row[cycle], sample]
    bins = rows * _BINS
    n = np.bincount(place, minlength=bins).reshape(rows, _BINS)
    total = np.bincount(place, weights=value, minlength=bins).reshape(rows, _BINS)
    square = np.bincount(row[cycle], weights=value**2, minlength=rows)
    shape = total / np.maximum(n, 1)
    count = np.maximum(n.sum(axis=1), 1)
    mean = total.sum(axis=1) / count
    all_of_it = square - count * mean**2
    explained = (n * (shape - mean[:, None]) ** 2).sum(axis=1)
    alike = np.where(all_of_it > 1e-9, explained / np.maximum(all_of_it, 1e-9), np.nan)
    unfiltered = np.bincount(place, weights=pressure[row[cycle], sample], minlength=bins).reshape(rows, _BINS)
    shape = unfiltered / np.maximum(n, 1)
    change = np.abs(np.diff(np.concatenate([shape, shape[:, :1]], axis=1), axis=1)).max(axis=1)
    height = shape.max(axis=1) - shape.min(axis=1)
    sharpness = np.where(height > 1e-9, change / np.maximum(height, 1e-9), np.nan)
    return alike, sharpness
