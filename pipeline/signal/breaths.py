"""Breath by breath in a block of conditioned traces: where the cycles are, how large, how alike."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from pipeline.definitions import TraceRules
from pipeline.signal.rows import quantile
from pipeline.signal.spectrum import Bands, filtered

Real = NDArray[np.float64]
Flag = NDArray[np.bool_]
Whole = NDArray[np.int64]

_BINS = 16  # phase bins of the folded breath


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

    def spread(self, rows: Whole, of: int) -> Breaths:
        """The same for `of` traces of which these are `rows`; no cycles in the others."""
        full: dict[str, Any] = {}
        for field in fields(self):
            values = getattr(self, field.name)
            full[field.name] = np.zeros(of, dtype=values.dtype)
            if field.name not in ("count", "covered"):
                full[field.name] += np.nan
            full[field.name][rows] = values
        return Breaths(**full)


def breaths_at(
    spectrum: Real, pressure: Real, edges: Real, usable: Flag, trial: Whole, bands: Bands, rules: TraceRules
) -> Breaths:
    """
    Cut each trace into cycles around its trial rate and measure them.

    Cycles run from one upward crossing of the mid-level to the next on the zero-phase signal from
    0.35 to 2.2 times the rate, with hysteresis; they are measured on a wider one (up to 5.5 times
    the rate). A cycle with an unusable sample inside does not count.

    Parameters
    ----------
    pressure
        The unfiltered trace, for the sharpness of its shape.
    edges
        Change of the pressure over half a second from each sample on, as absolute value.
    trial
        (traces,) index of the trial rate; -1: none, no cycles.
    """
    narrow = filtered(spectrum, bands.narrow[trial])
    wide = filtered(spectrum, bands.wide[trial])
    row, start, end = _cycles(narrow, usable, bands.rate_hz, rules)
    keep = trial[row] >= 0
    return _measure(wide, pressure, edges, usable, bands.rate_hz, row[keep], start[keep], end[keep], rules)


def _cycles(narrow: Real, usable: Flag, rate_hz: float, rules: TraceRules) -> tuple[Whole, Real, Real]:
    """Row, start and end (in samples, fractional) of every whole usable cycle."""
    width = narrow.shape[1]
    thin = slice(None, None, 3)
    need = 0.3 * quantile(np.abs(narrow[:, thin]), usable[:, thin], 0.5)[:, None]
    # Where the signal is clearly above or below, and where the last such sample was the other way.
    row, at = np.nonzero(np.abs(narrow) > need)
    above = narrow[row, at] > 0
    turns = np.flatnonzero(above[1:] & ~above[:-1] & (row[1:] == row[:-1])) + 1
    row, clear = row[turns], at[turns]
    # The crossing itself is the last upward one before that sample.
    upward = np.zeros(narrow.shape, dtype=bool)
    upward[:, 1:] = (narrow[:, 1:] >= 0) & (narrow[:, :-1] < 0)
    up = np.flatnonzero(upward)
    cross = up[np.searchsorted(up, row * width + clear, side="right") - 1] if len(row) else row
    flat = narrow.ravel()
    over, under = flat[cross], flat[cross - 1]
    exact = cross - row * width - over / np.maximum(over - under, 1e-12)
    same = row[1:] == row[:-1]
    row, start, end = row[:-1][same], exact[:-1][same], exact[1:][same]
    length = end - start
    gone = np.zeros((len(narrow), width + 1), dtype=np.int32)
    np.cumsum(~usable, axis=1, out=gone[:, 1:])
    clean = gone[row, np.ceil(end).astype(np.int64)] == gone[row, np.ceil(start).astype(np.int64)]
    shortest, longest = 60.0 / (1.4 * rules.fastest) * rate_hz, 60.0 / (0.7 * rules.slowest) * rate_hz
    good = clean & (length >= shortest) & (length <= longest)
    return row[good], start[good], end[good]


def _measure(
    wide: Real,
    pressure: Real,
    edges: Real,
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
    first = np.ceil(start).astype(np.int64)
    size = np.ceil(end).astype(np.int64) - first
    begins = np.cumsum(size) - size
    offset = row * width + first - begins
    count_up = np.arange(int(size.sum()))
    sample = count_up + np.repeat(offset, size)
    inside, raw = wide.take(sample), pressure.take(sample)

    def table(values: Real) -> Real:
        filled = np.full((rows, most), np.nan)
        filled[row, place] = values
        return filled

    if len(row):
        swings = np.maximum.reduceat(inside, begins) - np.minimum.reduceat(inside, begins)
        heights = np.maximum.reduceat(raw, begins) - np.minimum.reduceat(raw, begins)
        pulls = np.maximum.reduceat(edges.take(sample), begins) / np.maximum(heights, 1e-9)
        # Samples miss a crest by half their distance at most: what that takes from a sine, on average.
        swings *= 1 + (np.pi / (end - start)) ** 2 / 6
    else:
        swings = pulls = np.zeros(0)
    lengths = table((end - start) / rate_hz)
    swing_of = table(swings)
    swing, swing_cv = _median(swing_of, count), _variation(swing_of, count)
    edge, length, interval_cv = (
        _median(table(pulls), count),
        _median(lengths, count),
        _variation(lengths, count),
    )
    near = (lengths > 0.5 * length[:, None]) & (lengths < 1.6 * length[:, None])
    length = np.where(near, lengths, 0.0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    mean = np.add.reduceat(inside, begins) / size if len(row) else swings
    unit = inside - np.repeat(mean, size)
    power = np.add.reduceat(unit * unit, begins) if len(row) else swings
    unit *= np.repeat(1.0 / np.sqrt(np.maximum(power, 1e-18)), size)
    # Sample i of a cycle lies in phase bin (i - start) / length of it.
    per_sample = _BINS / (end - start)
    bin_of = count_up * np.repeat(per_sample, size)
    bin_of += np.repeat((first - begins - start) * per_sample, size)
    place = np.minimum(bin_of.astype(np.int64), _BINS - 1) + np.repeat(row * _BINS, size)
    alike, sharpness = _fold(unit, raw, place, count, rows)
    seconds = np.bincount(row, weights=end - start, minlength=rows)
    # 95 % interval of a median of normal values, and what filtering may do to any shape.
    n = np.maximum(count, 2)
    reach = (
        stdtrit((n - 1).astype(np.float64), 0.975) * 1.2533 * swing_cv * _mean(swing_of, count) / np.sqrt(n)
    )
    error = np.sqrt(reach**2 + (rules.swing_error * swing) ** 2)
    none = count == 0
    return Breaths(
        count=count,
        covered=seconds / np.maximum(usable.sum(axis=1), 1),
        rate=np.where(none, np.nan, 60.0 / np.where(none, 1.0, np.maximum(length, 1e-9))),
        swing=swing,
        swing_low=np.maximum(swing - error, 0.0),
        swing_high=swing + error,
        interval_cv=interval_cv,
        swing_cv=swing_cv,
        alike=alike,
        sharpness=sharpness,
        edge=edge,
    )


def _median(values: Real, count: Whole) -> Real:
    """Median of the first `count` values of each row, after which it is NaN; NaN where there is none."""
    ordered = np.sort(values, axis=1)
    row, last = np.arange(len(ordered)), np.maximum(count - 1, 0)
    return np.asarray(0.5 * (ordered[row, last // 2] + ordered[row, (last + 1) // 2]))


def _mean(values: Real, count: Whole) -> Real:
    return np.asarray(np.nansum(values, axis=1) / np.maximum(count, 1))


def _variation(values: Real, count: Whole) -> Real:
    """Standard deviation over mean of each row; NaN with fewer than two values."""
    mean = _mean(values, count)
    square = np.nansum((values - mean[:, None]) ** 2, axis=1) / np.maximum(count - 1, 1)
    return np.where(count < 2, np.nan, np.sqrt(square) / np.maximum(mean, 1e-9))


def _fold(unit: Real, raw: Real, place: Whole, count: Whole, rows: int) -> tuple[Real, Real]:
    """
    Lay the cycles of a trace over one another by phase: how alike they are, how sharp their shape is.

    For likeness each cycle comes with mean 0 and unit energy, so that one deep breath or one bump is one
    cycle among many; the shape itself is the mean of the cycles as they are.
    """
    bins = rows * _BINS
    n = np.bincount(place, minlength=bins).reshape(rows, _BINS)
    total = np.bincount(place, weights=unit, minlength=bins).reshape(rows, _BINS)
    shape = total / np.maximum(n, 1)
    explained = (n * shape**2).sum(axis=1)
    alike = np.where(count > 0, explained / np.maximum(count, 1), np.nan)
    shape = np.bincount(place, weights=raw, minlength=bins).reshape(rows, _BINS) / np.maximum(n, 1)
    change = np.abs(shape - np.roll(shape, 1, axis=1)).max(axis=1)
    height = shape.max(axis=1) - shape.min(axis=1)
    sharpness = np.where(height > 1e-9, change / np.maximum(height, 1e-9), np.nan)
    return alike, sharpness
