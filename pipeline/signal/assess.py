"""Does a pressure trace show the patient breathing through the drain? Whole batches at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.definitions import TraceRules, load_definitions
from pipeline.signal.artefacts import Conditioned, condition, merge, quantile, running
from pipeline.signal.breaths import (
    Bands,
    Breaths,
    breaths_at,
    candidates,
    filtered,
    pulse,
    spectrum_of,
    without_outliers,
)
from schemas.errors import InputError
from schemas.lake import EVIDENCE_COLUMNS
from schemas.vocabulary import ArtefactKind, Verdict

Real = NDArray[np.float64]
Flag = NDArray[np.bool_]
Whole = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]  # of the evidence table; words as their places in these two

_VERDICTS, _KINDS = tuple(Verdict), tuple(ArtefactKind)

BLOCK = 128  # traces worked on at once; the last block is filled up with empty traces
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
        return _nothing(block)
    ready = condition(fine, fine_hz, max(1, int(fine_hz / _COARSE_HZ)), rules)
    averaged = 0.0 if ready.rate_hz == rate else 1.0 / ready.rate_hz
    bands = _bands(ready.pressure.shape[1], ready.rate_hz, averaged, rules)
    calm, cut = without_outliers(ready.pressure, ready.usable)
    spectrum = spectrum_of(calm, ready.usable)
    band = filtered(spectrum, bands.breathing)
    band[cut] = filtered(spectrum_of(ready.pressure[cut], ready.usable[cut]), bands.breathing)
    range_ = _greatest_range(band, ready.usable, ready.rate_hz, rules)
    first, second = candidates(spectrum, bands)
    one = breaths_at(spectrum, ready.pressure, ready.edges, ready.usable, first, bands, rules)
    clear, pumped = _is_clear(one, rules), _pump_like(one, rules)
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
    beat = pulse(spectrum, ready.usable, bands, rules)
    return _decide(ready, rate, range_, one, clear, pumped, other, beat, rules)


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


def _is_clear(b: Breaths, rules: TraceRules) -> Flag:
    """
    Whether structured noise would look as much like breathing less often than `false_alarm` allows.

    The score is that of a logistic regression; the tail of its distribution on noise is exponential.
    """
    n = np.sqrt(b.count)
    alike = np.clip(b.alike, 0.01, 0.995)
    score = (
        rules.score_constant
        + rules.score_breaths * n
        + rules.score_alike * n * np.log(alike / (1 - alike))
        + rules.score_interval_cv * n * b.interval_cv
        + rules.score_covered * n * b.covered
    )
    decades = (score - rules.score_at_one) / rules.score_per_decade
    in_band = (b.rate <= rules.fastest) & (b.rate >= 0.95 * rules.slowest)
    return np.asarray((b.count >= rules.least_breaths) & in_band & (decades >= -np.log10(rules.false_alarm)))


def _pump_like(b: Breaths, rules: TraceRules) -> Flag:
    """
    Whether the cycles are a pump's rather than a chest's.

    They change faster than a chest does, given how long they are. Where cycles are too short for that to
    show, the very regular ones are doubted sooner, and so are those of one depth whose length varies: a
    pump cycles between two pressures.
    """
    seconds, sharp, edge, intervals, swings = 60.0 / b.rate, b.sharpness, b.edge, b.interval_cv, b.swing_cv
    short = seconds < rules.pump_short
    metronome = (intervals < rules.pump_regular * np.where(short, 1.0, 0.6)) & (
        swings < 3 * rules.pump_regular
    )
    one_depth = swings < rules.pump_regular * np.where(short, 1.75, 1.25)
    between_two_pressures = one_depth & (swings < 0.6 * intervals)
    return np.asarray(
        (sharp > rules.pump_sharp * np.where(short, 1.0, 0.93))
        | ((seconds >= 4.0) & (edge > rules.pump_edge))
        | ((seconds >= 3.0) & (edge > rules.pump_edge + 0.08) & (sharp > 0.75 * rules.pump_sharp))
        | ((metronome | between_two_pressures) & (sharp > 0.78 * rules.pump_sharp))
    )


def _greatest_range(band: Real, usable: Flag, hz: float, rules: TraceRules) -> Real:
    """The range no swing exceeds: of the band-limited pressure, in windows longer than the slowest breath."""
    second = max(1, round(hz))
    high = merge(np.where(usable, band, -np.inf), second, np.maximum)
    low = merge(np.where(usable, band, np.inf), second, np.minimum)
    window = min(round(60.0 / rules.slowest), high.shape[1])
    spread = running(high, window, np.maximum) - running(low, window, np.minimum)
    return np.asarray(np.round(quantile(spread, np.isfinite(spread), rules.absent_quantile), 2))


def _decide(
    ready: Conditioned,
    rate: float,
    range_: Real,
    one: Breaths,
    clear: Flag,
    pumped: Flag,
    two: Breaths,
    beat: Real,
    rules: TraceRules,
) -> Columns:
    with np.errstate(invalid="ignore"):
        ratio = np.maximum(two.rate, one.rate) / np.minimum(two.rate, one.rate)
        overtone = (np.abs(ratio / np.round(ratio) - 1) < 0.08) | ~(ratio > 1.3)
    breath = clear & ~pumped
    take_two = ~breath & _is_clear(two, rules) & ~_pump_like(two, rules) & ~overtone
    found = breath | take_two

    def of(name: str) -> Real:
        return np.asarray(np.where(take_two, getattr(two, name), getattr(one, name)))

    swing = np.round(of("swing"), 2)
    need = rules.least_swing if rate >= rules.alias_rate else rules.alias_swing
    lowest = _lowest_rate(ready.usable, ready.rate_hz, rules)
    can_tell = lowest <= rules.absent_covers
    present = found & (swing >= need)
    small = found & (swing >= 0.5 * rules.least_swing)
    absent = ~present & ~small & can_tell & (range_ < rules.least_swing)
    assessable = (present | can_tell) & ~ready.constant
    verdict = np.select(
        [~assessable, present, absent],
        [_VERDICTS.index(v) for v in (Verdict.NOT_ASSESSABLE, Verdict.PRESENT, Verdict.ABSENT)],
        _VERDICTS.index(Verdict.INDETERMINATE),
    )
    measured = assessable & ~absent & (of("count") >= rules.least_breaths)
    # A breath's second and third harmonics lie where the heart does.
    overtones = beat / np.where(found, of("rate"), np.nan)
    heart = ~np.isnan(beat) & ~((overtones < 3.5) & (np.abs(overtones - np.round(overtones)) < 0.12))
    cycling = clear & pumped & (one.swing > rules.least_swing / 2)
    kind, fraction = _main_artefact(ready, cycling, heart)
    nan = np.nan
    return _columns(
        verdict,
        np.where(present, np.round(of("rate"), 2), nan),
        np.where(measured, swing, nan),
        np.where(measured, np.round(of("swing_low"), 2), np.where(absent, 0.0, nan)),
        np.where(measured, np.round(of("swing_high"), 2), np.where(absent, range_, nan)),
        np.where(ready.constant, nan, lowest),
        fraction,
        kind,
    )


def _main_artefact(ready: Conditioned, cycling: Flag, heart: Flag) -> tuple[Whole, Real]:
    """The kind that took most samples, else what colours the whole trace; the share of artefact samples."""
    width = ready.usable.shape[1]
    kind = np.where(heart, _KINDS.index(ArtefactKind.CARDIAC), _KINDS.index(ArtefactKind.NONE))
    kind = np.where(cycling, _KINDS.index(ArtefactKind.PUMP), kind)
    artefact = ready.burst | ready.saturated | ready.flat | ready.stepped
    count = artefact.sum(axis=1)
    rows = np.flatnonzero(count)
    if len(rows):
        cough = ready.burst_is_cough[rows]
        burst = ready.burst[rows].sum(axis=1)
        others = ((ArtefactKind.SATURATED, ready.saturated), (ArtefactKind.FLAT, ready.flat))
        named = [(ArtefactKind.COUGH, burst * cough), (ArtefactKind.MOTION, burst * ~cough)]
        named += [
            (name, flags[rows].sum(axis=1)) for name, flags in (*others, (ArtefactKind.STEP, ready.stepped))
        ]
        most = np.argmax(np.column_stack([samples for _, samples in named]), axis=1)
        kind[rows] = np.array([_KINDS.index(name) for name, _ in named])[most]
    return kind, np.round(count / width, 4)


def _nothing(block: Real) -> Columns:
    """Too short or too slowly sampled to hold three breaths of any rate."""
    rows = len(block)
    nan = np.full(rows, np.nan)
    share = np.isinf(block).mean(axis=1) if block.shape[1] else np.zeros(rows)
    saturated, none = _KINDS.index(ArtefactKind.SATURATED), _KINDS.index(ArtefactKind.NONE)
    verdict = np.full(rows, _VERDICTS.index(Verdict.NOT_ASSESSABLE))
    return _columns(
        verdict, nan, nan, nan, nan, nan, np.round(share, 4), np.where(share > 0, saturated, none)
    )


def _columns(*values: NDArray[Any]) -> Columns:
    return dict(zip((c.name for c in EVIDENCE_COLUMNS), values, strict=True))
