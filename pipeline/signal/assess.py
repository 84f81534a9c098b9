"""Does a pressure trace show the patient breathing through the drain? Whole batches at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.definitions import TraceRules, load_definitions
from pipeline.signal.artefacts import Conditioned, condition
from pipeline.signal.breaths import Breaths, breaths_at
from pipeline.signal.rows import merge, quantile, running
from pipeline.signal.spectrum import (
    Bands,
    candidates,
    filled,
    filtered,
    pulse,
    spectrum_of,
    summed,
    without_outliers,
)
from pipeline.signal.verdicts import Columns, decide, has_coughed, is_clear, nothing, pump_like
from schemas.errors import InputError
from schemas.lake import EVIDENCE_COLUMNS

Real = NDArray[np.floating[Any]]
Flag = NDArray[np.bool_]

BLOCK = 256  # traces worked on at once are a multiple of this; the last are filled up with empty ones
# Of short traces so many are worked on at once that calling NumPy costs less than what it does; of long ones
# so few that memory stays small.
_MOST_BLOCKS = 4
_MOST_SAMPLES = 1 << 19
_SCRATCH_BYTES = 24 << 20  # more than a block's scratch, less than glibc's limit of 32 MiB
_FINE_HZ = 8.0  # rates above are averaged down to no less than this to look for artefacts
_COARSE_HZ = 4.0  # and to no less than this to look for breaths (the band ends at 0.8 Hz)


def assess(
    samples: NDArray[Any] | Sequence[Sequence[float]], rate_hz: float, *, rules: TraceRules | None = None
) -> pl.DataFrame:
    """
    Decide for each pressure trace whether it shows breathing.

    Artefacts are masked first (`artefacts.condition`). The two strongest rates of the breathing band
    are then tried: the trace is cut into cycles around each, the cycles are stretched to one length
    and laid over one another, and a score (`verdicts.is_clear`) weighs how alike they are, how much
    their lengths vary, how much they fill of the time whole cycles could fill, how much of the band's
    energy lies around the rate, and how many they are. Being stretched, breaths may vary in length
    where a spectral line would fade. The score's chance of a false alarm comes from structured nulls,
    over the whole search, read where they are worst (correlated noise). Cycles whose common shape is a
    pump's (`verdicts.pump_like`) are a pump's whatever their score.

    `present`: chance of a false alarm and swing on the right side of their limits, and not a pump.
    `absent`: in windows longer than the slowest breath, the whole range of the pressure below the
    heart's band, which no swing can exceed, stays under the limit, in a trace that could have shown
    breathing. Everything else that has three breaths' worth of usable signal is `indeterminate`.

    A trace's result depends on that trace alone, to the last bit, whatever it shares a block with; and
    memory grows with the batch only by its input and result.

    Parameters
    ----------
    samples
        (n_traces, n_samples) cm[H2O]; NaN: no value, +inf: above range, -inf: below range.
    rate_hz
        Samples per second; under 4 Hz no trace is assessable.
    rules
        `[trace]` of the definitions; the shipped ones unless given.

    Returns
    -------
    One row a trace: the columns of the evidence table (`schemas.lake.EVIDENCE_COLUMNS`). The swing and
    its bounds are those of the breaths where `present` or `indeterminate`; where `absent` the upper
    bound is the range that no swing can exceed. `artefact_fraction` counts saturated, stuck, stepped,
    cough and motion samples, not missing ones; a pump or the heart colours a trace without hiding it.

    Raises
    ------
    InputError
        When the samples are not a matrix of numbers or the rate is not a positive number.

    Examples
    --------
    >>> t = np.arange(600) / 10
    >>> breathing, blocked = -21 + 1.5 * np.sin(2 * np.pi * t / 4), -20 + 0.05 * np.sin(40 * t**1.5)
    >>> found = assess(np.vstack([breathing, blocked]), 10.0)
    >>> found.select("verdict", pl.col("breath_rate_per_min", "swing_cmh2o").round(1)).rows()
    [('present', 15.0, 3.0), ('absent', None, None)]
    """
    matrix = _matrix(samples)
    rate = _rate(rate_hz)
    limits = load_definitions().trace if rules is None else rules
    _keep_memory()
    columns = [
        {name: values[:count] for name, values in _assess_block(block, rate, limits).items()}
        for block, count in _blocks(matrix)
    ]
    if not columns:
        return pl.DataFrame(schema={c.name: c.dtype for c in EVIDENCE_COLUMNS})
    found = {c.name: np.concatenate([part[c.name] for part in columns]) for c in EVIDENCE_COLUMNS}
    return pl.DataFrame(
        {
            c.name: pl.Series(list(c.words)).gather(found[c.name])
            if c.words
            else pl.Series(found[c.name], nan_to_null=True)
            for c in EVIDENCE_COLUMNS
        }
    )


def _keep_memory() -> None:
    """
    Stop the C library from giving a block's scratch memory back to the system after every step.

    Getting it again costs a page fault for each 4 KiB, a third of the whole time. Where memory of this
    size was once asked for and freed, glibc keeps freed memory up to it; pages never touched cost
    nothing. Elsewhere it does no harm.
    """
    np.empty(_SCRATCH_BYTES, dtype=np.uint8)


def _matrix(samples: NDArray[Any] | Sequence[Sequence[float]]) -> NDArray[Any]:
    advice = "give a matrix (n_traces, n_samples) of numbers in cm[H2O]"
    try:
        matrix = np.asarray(samples)
    except ValueError as error:
        raise InputError(
            f"assess: the traces differ in length; {advice}, one call for each length."
        ) from error
    if matrix.size and matrix.dtype.kind not in "fiu":
        raise InputError(f"assess: the samples are not all numbers; {advice}, NaN where there is none.")
    if matrix.ndim == 1 and matrix.size == 0:
        return np.empty((0, 0))
    if matrix.ndim != 2:
        raise InputError(f"assess: the samples have {matrix.ndim} dimension(s) instead of two; {advice}.")
    return matrix


def _rate(rate_hz: float) -> float:
    try:
        rate = float(rate_hz)
    except (TypeError, ValueError) as error:
        raise InputError(f"assess: the rate {rate_hz!r} is not a number; give samples per second.") from error
    if not (np.isfinite(rate) and rate > 0):
        raise InputError(
            f"assess: the rate {rate_hz!r} is no finite number above 0; give samples per second."
        )
    return rate


def _blocks(matrix: NDArray[Any]) -> Iterator[tuple[Real, int]]:
    """Blocks of BLOCK traces, or of a few times as many, and how many of them are real."""
    width = matrix.shape[1]
    most = BLOCK * min(_MOST_BLOCKS, max(1, _MOST_SAMPLES // (BLOCK * max(1, width))))
    for start in range(0, len(matrix), most):
        part = matrix[start : start + most]
        block = np.full((-(-len(part) // BLOCK) * BLOCK, width), np.nan, dtype=np.float32)
        with np.errstate(over="ignore"):
            block[: len(part)] = part
        # A number too great for single precision is beyond belief, not out of range.
        rows = np.flatnonzero(np.isinf(block[: len(part)]).any(axis=1))
        if len(rows):
            block[rows] = np.where(np.isinf(block[rows]) & ~np.isinf(part[rows]), np.nan, block[rows])
        yield block, len(part)


def _assess_block(block: Real, rate: float, rules: TraceRules) -> Columns:
    fine, fine_hz = _average(block, rate, max(1, int(rate / _FINE_HZ)))
    if rate < rules.lowest_rate or fine.shape[1] < rules.least_breaths * 60.0 / rules.fastest * fine_hz:
        return nothing(block)
    ready = condition(fine, fine_hz, max(1, int(fine_hz / _COARSE_HZ)), rules)
    averaged = 0.0 if ready.rate_hz == rate else 1.0 / ready.rate_hz
    bands = _bands(ready.pressure.shape[1], ready.rate_hz, averaged, rules)
    calm, cut = without_outliers(ready.pressure, ready.usable, rules)
    spectrum = spectrum_of(calm, ready.usable)
    energy_below = summed(spectrum)
    first, second = candidates(energy_below, bands)
    one = breaths_at(spectrum, energy_below, ready.pressure, ready.usable, first, bands, rules)
    seconds = fine.shape[1] / fine_hz
    clear, pumped = is_clear(one, seconds, rules), pump_like(one, has_coughed(ready, rules), rules)
    # Where the first rate shows breathing, nothing else has to be asked.
    rows = np.flatnonzero(~(clear & ~pumped & (one.swing >= rules.least_swing)))
    range_ = np.full(len(block), np.inf, dtype=np.float32)
    range_[rows] = _greatest_range(ready, spectrum, cut, rows, bands, rules)
    rows = rows[(~clear | pumped)[rows] & (range_[rows] >= rules.least_swing) & (first[rows] >= 0)]
    two = _second_look(ready, calm, spectrum, energy_below, (first, second), clear, rows, bands, rules)
    beat = pulse(energy_below, ready.usable, bands, rules)
    lowest = _lowest_rate(ready.known, ready.rate_hz, rules)
    return decide(ready, rate, range_, one, clear, pumped, two, beat, lowest, seconds, rules)


def _second_look(
    ready: Conditioned,
    calm: Real,
    spectrum: Real,
    energy_below: Real,
    trials: tuple[NDArray[np.int64], NDArray[np.int64]],
    clear: Flag,
    rows: NDArray[np.int64],
    bands: Bands,
    rules: TraceRules,
) -> Breaths:
    """Where the first rate is no breath: the same rate with its gaps filled, else the second rate."""
    pressure, usable, (first, second) = ready.pressure, ready.usable, trials
    seconds = usable.shape[1] / ready.rate_hz
    found = Breaths.none(len(usable))
    if not len(rows):
        return found
    holed = rows[~clear[rows] & ~usable[rows].all(axis=1)]
    if len(holed):
        whole = filled(calm[holed], usable[holed], first[holed], bands)
        again = spectrum_of(whole, np.ones(whole.shape, dtype=bool))
        found = breaths_at(
            again, energy_below[holed], whole, usable[holed], first[holed], bands, rules, across_gaps=True
        ).spread(holed, len(usable))
    left = rows[(second[rows] >= 0) & ~is_clear(found, seconds, rules)[rows]]
    if not len(left):
        return found
    other = breaths_at(
        spectrum[left], energy_below[left], pressure[left], usable[left], second[left], bands, rules
    ).spread(left, len(usable))
    return other.instead_of(found, is_clear(other, seconds, rules))


@lru_cache(maxsize=16)
def _bands(samples: int, rate_hz: float, averaged_seconds: float, rules: TraceRules) -> Bands:
    return Bands(samples, rate_hz, averaged_seconds, rules)


def _average(samples: Real, rate: float, by: int) -> tuple[Real, float]:
    """Means of `by` neighbours; a mean needs half of them, and one out of range makes it out of range."""
    if by == 1:
        return samples, rate
    known = np.isfinite(samples)
    count = merge(known.astype(np.float64), by, np.add)
    mean = merge(np.where(known, samples, 0.0), by, np.add) / np.maximum(count, 1)
    mean = np.where(2 * count >= by, mean, np.nan)
    mean = np.where(merge(samples == np.inf, by, np.logical_or), np.inf, mean)
    return np.where(merge(samples == -np.inf, by, np.logical_or), -np.inf, mean), rate / by


def _greatest_range(
    ready: Conditioned,
    spectrum: Real,
    cut: NDArray[np.int64],
    rows: NDArray[np.int64],
    bands: Bands,
    rules: TraceRules,
) -> Real:
    """The range no swing exceeds: of the band-limited pressure, over windows longer than breaths."""
    band = filtered(spectrum[rows], bands.breathing)
    wild = np.flatnonzero(np.isin(rows, cut))
    if len(wild):
        whole = spectrum_of(ready.pressure[rows[wild]], ready.usable[rows[wild]])
        band[wild] = filtered(whole, bands.breathing)
    known, second = ready.known[rows], max(1, round(ready.rate_hz))
    holed = not known.all()
    high = merge(np.where(known, band, -np.inf) if holed else band, second, np.maximum)
    low = merge(np.where(known, band, np.inf) if holed else band, second, np.minimum)
    window = min(round(60.0 / rules.slowest), high.shape[1])
    spread = running(high, window, np.maximum) - running(low, window, np.minimum)
    return quantile(spread, np.isfinite(spread), rules.absent_quantile)


def _lowest_rate(usable: Flag, hz: float, rules: TraceRules) -> NDArray[np.float64]:
    """Slowest rate (per minute) of which `least_breaths` whole cycles fit the unbroken usable stretches."""
    grid = np.arange(rules.slowest, rules.fastest + 0.25, 0.5)
    whole = usable.all(axis=1)
    rows = np.flatnonzero(~whole)
    border = np.zeros((len(rows) + 1, 1), dtype=bool)
    # One more row, without a gap, stands for all such.
    some = np.concatenate([usable[rows], np.ones((1, usable.shape[1]), dtype=bool)])
    inside = np.concatenate([border, some, border], axis=1)
    row, at = np.nonzero(inside[:, 1:] != inside[:, :-1])
    row, seconds = row[0::2], (at[1::2] - at[0::2]) / hz
    fits = np.floor(seconds[:, None] * grid / 60.0 + 1e-9).astype(np.int64)
    counts = np.concatenate([np.zeros((1, len(grid)), dtype=np.int64), np.cumsum(fits, axis=0)])
    until = np.searchsorted(row, np.arange(len(some) + 1))
    enough = counts[until[1:]] - counts[until[:-1]] >= rules.least_breaths
    slowest = np.where(enough.any(axis=1), grid[np.argmax(enough, axis=1)], np.nan)
    found = np.full(len(usable), slowest[-1])
    found[rows] = slowest[:-1]
    return found
