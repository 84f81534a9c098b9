"""Does a pressure trace show the patient breathing through the drain? Whole batches at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.definitions import TraceRules, load_definitions
from pipeline.signal.artefacts import condition
from pipeline.signal.breaths import breaths_at
from pipeline.signal.rows import merge, quantile, running
from pipeline.signal.spectrum import Bands, candidates, filtered, pulse, spectrum_of, summed, without_outliers
from pipeline.signal.verdicts import Columns, decide, is_clear, nothing, pump_like
from schemas.errors import InputError
from schemas.lake import EVIDENCE_COLUMNS

Real = NDArray[np.float64]
Flag = NDArray[np.bool_]

BLOCK = 256  # traces worked on at once; the last block is filled up with empty traces
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
    and laid over one another, and a score weighs how alike they are, how much their lengths vary,
    how much of the usable time they cover and how many there are. Being stretched, breaths may vary
    in length where a spectral line would fade. The score's chance of a false alarm comes from
    structured nulls (correlated noise, drift), over the whole search; cycles too sharp for a breath
    are a pump's whatever their score.

    `present`: chance of a false alarm and swing on the right side of their limits, and not a pump.
    `absent`: in windows longer than the slowest breath, the whole range of the pressure below the
    heart's band, which no swing can exceed, stays under the limit, in a trace that could have shown
    breathing. Everything else that has three breaths' worth of usable signal is `indeterminate`.

    A trace's result depends on that trace alone, to the last bit: batches are worked on in blocks of
    a fixed size, and memory grows with the batch only by its input and result.

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
        raise InputError(f"assess: the rate {rate_hz!r} is not above 0; give samples per second.")
    return rate


def _blocks(matrix: NDArray[Any]) -> Iterator[tuple[Real, int]]:
    """Blocks of exactly BLOCK traces and how many are real: arithmetic never sees the batch's size."""
    for start in range(0, len(matrix), BLOCK):
        part = matrix[start : start + BLOCK]
        block = np.full((BLOCK, matrix.shape[1]), np.nan)
        block[: len(part)] = part
        yield block, len(part)


def _assess_block(block: Real, rate: float, rules: TraceRules) -> Columns:
    fine, fine_hz = _average(block, rate, max(1, int(rate / _FINE_HZ)))
    if rate < rules.lowest_rate or fine.shape[1] < 3 * 60.0 / rules.fastest * fine_hz:
        return nothing(block)
    ready = condition(fine, fine_hz, max(1, int(fine_hz / _COARSE_HZ)), rules)
    averaged = 0.0 if ready.rate_hz == rate else 1.0 / ready.rate_hz
    bands = _bands(ready.pressure.shape[1], ready.rate_hz, averaged, rules)
    calm, cut = without_outliers(ready.pressure, ready.usable)
    spectrum = spectrum_of(calm, ready.usable)
    band = filtered(spectrum, bands.breathing)
    band[cut] = filtered(spectrum_of(ready.pressure[cut], ready.usable[cut]), bands.breathing)
    range_ = _greatest_range(band, ready.usable, ready.rate_hz, rules)
    energy_below = summed(spectrum)
    first, second = candidates(energy_below, bands)
    one = breaths_at(spectrum, ready.pressure, ready.edges, ready.usable, first, bands, rules)
    clear, pumped = is_clear(one, rules), pump_like(one, rules)
    # The second rate is worth a look only where the first is no breath and the pressure does move.
    rows = np.flatnonzero((~clear | pumped) & (range_ >= rules.least_swing) & (second >= 0))
    other = breaths_at(
        spectrum[rows],
        ready.pressure[rows],
        ready.edges[rows],
        ready.usable[rows],
        second[rows],
        bands,
        rules,
    ).spread(rows, len(block))
    beat = pulse(energy_below, ready.usable, bands, rules)
    lowest = _lowest_rate(ready.usable, ready.rate_hz, rules)
    return decide(ready, rate, range_, one, clear, pumped, other, beat, lowest, rules)


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


def _greatest_range(band: Real, usable: Flag, hz: float, rules: TraceRules) -> Real:
    """The range no swing exceeds: of the band-limited pressure, in windows longer than the slowest breath."""
    second = max(1, round(hz))
    high = merge(np.where(usable, band, -np.inf), second, np.maximum)
    low = merge(np.where(usable, band, np.inf), second, np.minimum)
    window = min(round(60.0 / rules.slowest), high.shape[1])
    spread = running(high, window, np.maximum) - running(low, window, np.minimum)
    return np.asarray(np.round(quantile(spread, np.isfinite(spread), rules.absent_quantile), 2))


def _lowest_rate(usable: Flag, hz: float, rules: TraceRules) -> Real:
    """Slowest rate (per minute) of which `least_breaths` whole cycles fit the unbroken usable stretches."""
    border = np.zeros((len(usable), 1), dtype=bool)
    inside = np.concatenate([border, usable, border], axis=1)
    row, at = np.nonzero(inside[:, 1:] != inside[:, :-1])
    row, seconds = row[0::2], (at[1::2] - at[0::2]) / hz
    grid = np.arange(rules.slowest, rules.fastest + 0.25, 0.5)
    fits = np.floor(seconds[:, None] * grid / 60.0 + 1e-9).astype(np.int64)
    running = np.concatenate([np.zeros((1, len(grid)), dtype=np.int64), np.cumsum(fits, axis=0)])
    until = np.searchsorted(row, np.arange(len(usable) + 1))
    enough = running[until[1:]] - running[until[:-1]] >= rules.least_breaths
    return np.asarray(np.where(enough.any(axis=1), grid[np.argmax(enough, axis=1)], np.nan))
