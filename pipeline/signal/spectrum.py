"""Where in the spectrum of a trace breathing may be, and the filters around it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.rows import ordered, pick

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]
Whole = NDArray[np.int64]

_STEP = 0.04  # between trial rates, as a ratio
_LANES = 16  # transforms run on multiples of this many rows, so that none is computed another way


class Bands:
    """
    Trial rates and the filters around each, for traces of one length and rate; computed once.

    A filter is a row of gains on the cosine spectrum with smooth flanks; being zero phase it moves no
    breath in time. All gains make good for what averaging the samples took away.

    Parameters
    ----------
    averaged_seconds
        Over how long each sample is a mean; 0: it is a point.
    """

    def __init__(self, samples: int, rate_hz: float, averaged_seconds: float, rules: TraceRules) -> None:
        self.rate_hz = rate_hz
        self.step = rate_hz * 60.0 / (2 * samples)
        self.per_min = np.arange(samples) * self.step
        self._lost = np.sinc(self.per_min / 60.0 * averaged_seconds)
        self.rates = np.exp(np.arange(np.log(0.85 * rules.slowest), np.log(1.25 * rules.fastest), _STEP))
        in_band = (self.rates >= rules.band_margin * rules.slowest) & (
            self.rates <= rules.fastest / rules.band_margin
        )
        self.in_band: Flag = in_band
        self.between = np.sinc(self.per_min / 60.0 / rate_hz) ** 2  # what straight lines between samples lose
        r, top = self.rates, np.minimum(5.5 * self.rates, 130.0)
        self.blur = 5.5 * r / top
        self.narrow = _stacked([self._gain(0.35 * f, 0.65 * f, 1.5 * f, 2.2 * f) for f in r])
        self.wide = _stacked(
            [
                self._gain(0.2 * f, 0.5 * f, max(0.6 * t, 1.3 * f), max(t, 2.0 * f)) / self.between
                for f, t in zip(r, top, strict=True)
            ]
        )
        self.below = _stacked([self._gain(-2.0, -1.0, 1.5 * f, 2.2 * f) for f in r])
        slow, fast = rules.slowest, rules.fastest
        self.breathing = self._gain(0.4 * slow, 0.7 * slow, fast, 1.25 * fast).astype(np.float32)
        self.bottom = int(np.searchsorted(self.per_min, 0.7 * slow))
        self.top = int(np.searchsorted(self.per_min, fast))
        self.around = self._edges(self.rates, 0.18)
        self.pulses = np.exp(np.arange(np.log(rules.heart_slowest), np.log(rules.heart_fastest), _STEP))
        self.pulse_line, self.pulse_around = self._edges(self.pulses, 0.06), self._edges(self.pulses, 0.25)

    def _gain(self, low: float, flat_from: float, flat_to: float, high: float) -> Real:
        rise = np.clip((self.per_min - low) / (flat_from - low), 0.0, 1.0)
        fall = np.clip((high - self.per_min) / (high - flat_to), 0.0, 1.0)
        return np.asarray(rise**2 * (3 - 2 * rise) * fall**2 * (3 - 2 * fall) / self._lost)

    def _edges(self, rates: Real, share: float) -> tuple[Whole, Whole]:
        reach = np.maximum(share * rates, 1.2 * self.step)
        low = np.ceil((rates - reach) / self.step).astype(np.int64)
        high = np.floor((rates + reach) / self.step).astype(np.int64) + 1
        return np.clip(low, 0, len(self.per_min)), np.clip(high, 0, len(self.per_min))


def _stacked(gains: list[Real]) -> Real:
    return np.stack(gains).astype(np.float32)


def spectrum_of(pressure: Real, usable: Flag) -> Real:
    """
    Orthonormal cosine spectrum of each trace, less the straight line through its usable samples.

    The cosine transform continues a trace by its own mirror image, so that its ends do not jump.
    """
    width = pressure.shape[1]
    t = np.linspace(-1.0, 1.0, width, dtype=pressure.dtype) if width > 1 else np.zeros(1, pressure.dtype)
    slope = (pressure * t).sum(axis=1) / max(float((t * t).sum()), 1e-9)
    level = pressure.mean(axis=1)
    rows = np.flatnonzero(~usable.all(axis=1))
    if len(rows):
        seen = usable[rows]
        n = np.maximum(seen.sum(axis=1), 1)
        x, u = np.where(seen, pressure[rows], 0.0), np.where(seen, t, 0.0)
        mean_t, mean_x = u.sum(axis=1) / n, x.sum(axis=1) / n
        variance = (u * u).sum(axis=1) - n * mean_t**2
        slope[rows] = ((x * u).sum(axis=1) - n * mean_t * mean_x) / np.maximum(variance, 1e-9)
        level[rows] = mean_x - slope[rows] * mean_t
    flat = slope[:, None] * -t
    flat += pressure
    flat -= level[:, None]
    return _cosines(flat, overwrite=True)


def without_outliers(pressure: Real, usable: Flag, rules: TraceRules) -> tuple[Real, Whole]:
    """
    Each trace cut off two and a half times its usual reach above and below the middle; and the rows cut.

    A sigh or a slow bump many times the other breaths would else be the strongest rate by itself.
    """
    thin = slice(None, None, 3)
    known = usable[:, thin]
    inorder, count = ordered(pressure[:, thin], known), known.sum(axis=1)
    low, middle, high = (pick(inorder, count, share) for share in (0.1, 0.5, 0.9))
    reach = rules.outlier_reach * (high - low)
    top, bottom = middle + reach, middle - reach
    rows = np.flatnonzero((pressure.max(axis=1) > top) | (pressure.min(axis=1) < bottom))
    if len(rows):
        pressure = pressure.copy()
        pressure[rows] = np.clip(pressure[rows], bottom[rows][:, None], top[rows][:, None])
    return pressure, rows


def filled(pressure: Real, usable: Flag, trial: Whole, bands: Bands) -> Real:
    """
    Traces whose gaps hold what the rest says of them at a trial rate, so that a cycle is not lost to a gap.

    Three rounds of band-limited extrapolation (Papoulis 1975, Gerchberg 1974): filter below twice the
    rate, put the outcome into the gaps, again. No evidence is taken from there.
    """
    gain = bands.below[trial]
    for _ in range(3):
        smooth = filtered(_cosines(pressure), gain)
        pressure = np.where(usable, pressure, smooth)
    return pressure


def filtered(spectrum: Real, gain: Real) -> Real:
    """The traces of a cosine spectrum after a filter (one for all, or a row each)."""
    from scipy.fft import idct  # see `_cosines`

    back: Real = idct(_in_lanes(spectrum * gain), type=2, norm="ortho", axis=1, overwrite_x=True)
    return back[: len(spectrum)]


def summed(spectrum: Real) -> Real:
    """Energy of each row from 0 up to each frequency, one column more than the spectrum."""
    total = np.zeros((spectrum.shape[0], spectrum.shape[1] + 1), dtype=spectrum.dtype)
    np.cumsum(spectrum * spectrum, axis=1, out=total[:, 1:])
    return total


def candidates(energy_below: Real, bands: Bands) -> tuple[Whole, Whole]:
    """
    The two strongest trial rates of each trace within the breathing band.

    Energy is summed over a band of ±18 % around each trial rate, so that breathing whose intervals
    vary is not split over many lines. The fundamental of a breath is its strongest harmonic, so the
    greatest sum is the rate, not its double; a rate must be a local maximum over a range that
    reaches into the heart's, so that the flank of a pulse is no breath.

    Parameters
    ----------
    energy_below
        As from `summed`.

    Returns
    -------
    (first, second), each (traces,): indices into `bands.rates`; -1 where there is none.
    """
    energy = _energy(energy_below, *bands.around)
    peak = np.zeros(energy.shape, dtype=bool)
    peak[:, 1:-1] = (energy[:, 1:-1] >= energy[:, :-2]) & (energy[:, 1:-1] > energy[:, 2:])
    energy[~(peak & bands.in_band)] = -1.0
    first = np.argmax(energy, axis=1)
    row = np.arange(len(energy))
    none = energy[row, first] <= 0.0
    energy[np.abs(np.arange(len(bands.rates)) - first[:, None]) * _STEP <= 0.3] = -1.0
    second = np.argmax(energy, axis=1)
    return np.where(none, -1, first), np.where(energy[row, second] <= 0.0, -1, second)


def pulse(energy_below: Real, usable: Flag, bands: Bands, rules: TraceRules) -> Real:
    """The rate of a narrow line of the heart's size that stands out between 52 and 145/min; NaN: none."""
    line, around = _energy(energy_below, *bands.pulse_line), _energy(energy_below, *bands.pulse_around)
    row, best = np.arange(len(line)), np.argmax(line, axis=1)
    line, around = line[row, best], around[row, best]
    size = 2.0 * np.sqrt(2.0 * line / np.maximum(usable.sum(axis=1), 1))
    return np.where(
        (size > rules.heart_least) & (line > rules.heart_line * around), bands.pulses[best], np.nan
    )


def _energy(energy_below: Real, low: Whole, high: Whole) -> Real:
    """Energy of each row between two edges, for many pairs of edges."""
    return np.asarray(energy_below.take(high, axis=1) - energy_below.take(low, axis=1))


def _cosines(pressure: Real, *, overwrite: bool = False) -> Real:
    """The cosine spectrum of each trace; `overwrite`: what is given need not stay as it is."""
    # Most nights bring no trace, and this import takes longer than all else that reads one.
    from scipy.fft import dct

    spectrum: Real = dct(_in_lanes(pressure), type=2, norm="ortho", axis=1, overwrite_x=overwrite)
    return spectrum[: len(pressure)]


def _in_lanes(matrix: Real) -> Real:
    short = -len(matrix) % _LANES
    return np.concatenate([matrix, np.zeros((short, matrix.shape[1]))]) if short else matrix
