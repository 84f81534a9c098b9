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
    >>> found.select("verdict", "breath_rate_per_min", "swing_cmh2o").rows()
    [('present', 15.0, 3.0), ('absent', None, None)]
    """
    matrix = _matrix(samples)
    rate = _rate(rate_hz)
    limits = load_definitions().trace if rules is None else rules
    parts = [_assess_block(block, rate, limits).head(count) for block, count in _blocks(matrix)]
    dtypes = {c.name: c.dtype for c in EVIDENCE_COLUMNS}
    if not parts:
        return pl.DataFrame(schema=dtypes)
    return pl.concat(parts).select(pl.col(name).cast(dtype) for name, dtype in dtypes.items())


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


def _assess_block(block: Real, rate: float, rules: TraceRules) -> pl.DataFrame:
    fine, fine_hz = _average(block, rate, max(1, int(rate / _FINE_HZ)))
    if rate < rules.lowest_rate or fine.shape[1] < 3 * 60.0 / rules.fastest * fine_hz:
        return _nothing(block)
    ready = condition(fine, fine_hz, max(1, int(fine_hz / _COARSE_HZ)), rules)
    averaged = 0.0 if ready.rate_hz == rate else 1.0 / ready.rate_hz
    bands = _bands(ready.pressure.shape[1], ready.rate_hz, averaged, rules)
    calm, cut = without_outliers(ready.pressure, ready.usable)
    spectrum = spectrum_of(calm, ready.usable)
    band = filtered(spectrum, bands.breathing)
    band[cut] = filtered(spectrum_of(ready.pressure, ready.usable)[cut], bands.breathing)
    range_ = _greatest_range(band, ready.usable, ready.rate_hz, rules)
    first, second = candidates(spectrum, bands)
    one = breaths_at(spectrum, ready.pressure, ready.edges, ready.usable, first, bands, rules)
    good = _false_alarm(_score(one, rules), rules) <= rules.false_alarm
    # The second rate is worth a look only where the first is no breath and the pressure does move.
    rows = np.flatnonzero((~good | _pump_like(one, rules)) & (range_ >= rules.least_swing) & (second >= 0))
    other = breaths_at(
        spectrum[rows],
        ready.pressure[rows],
        ready.edges[rows],
        ready.usable[rows],
        second[rows],
        bands,
        rules,
    )
    beat = pulse(spectrum, ready.usable, bands, rules)
    return _decide(ready, rate, range_, one, other.spread(rows, len(block)), beat, rules)


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


def _score(b: Breaths, rules: TraceRules) -> Real:
    """Log-odds-like score of breathing against structured noise; -inf with too few cycles or a rate out of the band."""
    n = np.sqrt(b.count)
    alike = np.clip(np.nan_to_num(b.alike, nan=0.01), 0.01, 0.995)
    score = (
        rules.score_constant
        + rules.score_breaths * n
        + rules.score_alike * n * np.log(alike / (1 - alike))
        + rules.score_interval_cv * n * np.nan_to_num(b.interval_cv, nan=1.0)
        + rules.score_covered * n * b.covered
    )
    rate = np.nan_to_num(b.rate, nan=np.inf)
    in_band = (rate <= rules.fastest) & (rate >= 0.95 * rules.slowest)
    return np.where((b.count >= rules.least_breaths) & in_band, score, -np.inf)


def _false_alarm(score: Real, rules: TraceRules) -> Real:
    """Chance that structured noise reaches the score: exponential tail through two measured points."""
    return np.where(
        np.isfinite(score),
        10.0 ** np.minimum(-(score - rules.score_at_one) / rules.score_per_decade, 0.0),
        1.0,
    )


def _pump_like(b: Breaths, rules: TraceRules) -> Flag:
    """
    Whether the cycles are a pump's rather than a chest's.

    They change faster than a chest does, given how long they are. Where cycles are too short for that to
    show, the very regular ones are doubted sooner, and so are those of one depth whose length varies: a
    pump cycles between two pressures.
    """
    seconds = 60.0 / np.nan_to_num(b.rate, nan=15.0)
    sharp, edge = np.nan_to_num(b.sharpness, nan=0.0), np.nan_to_num(b.edge, nan=0.0)
    intervals, swings = np.nan_to_num(b.interval_cv, nan=1.0), np.nan_to_num(b.swing_cv, nan=1.0)
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
    two: Breaths,
    beat: Real,
    rules: TraceRules,
) -> pl.DataFrame:
    clear = [_false_alarm(_score(b, rules), rules) <= rules.false_alarm for b in (one, two)]
    pump = [_pump_like(b, rules) for b in (one, two)]
    with np.errstate(invalid="ignore"):
        ratio = np.maximum(two.rate, one.rate) / np.minimum(two.rate, one.rate)
        overtone = (np.abs(ratio / np.round(ratio) - 1) < 0.08) | ~(ratio > 1.3)
    take_two = ~(clear[0] & ~pump[0]) & clear[1] & ~pump[1] & ~overtone
    found = (clear[0] & ~pump[0]) | take_two

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
        [str(Verdict.NOT_ASSESSABLE), str(Verdict.PRESENT), str(Verdict.ABSENT)],
        str(Verdict.INDETERMINATE),
    )
    measured = assessable & ~absent & (of("count") >= rules.least_breaths)
    pumped = clear[0] & pump[0] & (one.swing > rules.least_swing / 2)
    # A breath's second and third harmonics lie where the heart does.
    overtones = beat / np.where(found, of("rate"), np.nan)
    heart = ~np.isnan(beat) & ~((overtones < 3.5) & (np.abs(overtones - np.round(overtones)) < 0.12))
    kind, fraction = _main_artefact(ready, pumped, heart)
    nan = np.nan
    return _frame(
        verdict,
        np.where(present, np.round(of("rate"), 2), nan),
        np.where(measured, swing, nan),
        np.where(measured, np.round(of("swing_low"), 2), np.where(absent, 0.0, nan)),
        np.where(measured, np.round(of("swing_high"), 2), np.where(absent, range_, nan)),
        np.where(ready.constant, nan, lowest),
        fraction,
        kind,
    )


def _main_artefact(ready: Conditioned, pumped: Flag, heart: Flag) -> tuple[NDArray[np.str_], Real]:
    """The kind that took most samples, else what colours the whole trace; the share of artefact samples."""
    width = ready.usable.shape[1]
    cough = ready.burst_is_cough[:, None]
    shares = np.column_stack(
        [
            flags.sum(axis=1) / width
            for flags in (
                ready.burst & cough,
                ready.burst & ~cough,
                ready.saturated,
                ready.flat,
                ready.stepped,
            )
        ]
    )
    names = np.array(
        [
            ArtefactKind.COUGH,
            ArtefactKind.MOTION,
            ArtefactKind.SATURATED,
            ArtefactKind.FLAT,
            ArtefactKind.STEP,
        ]
    )
    main = names[np.argmax(shares, axis=1)].astype(str)
    colour = np.where(
        pumped, str(ArtefactKind.PUMP), np.where(heart, str(ArtefactKind.CARDIAC), str(ArtefactKind.NONE))
    )
    kind = np.where(shares.max(axis=1) > 0, main, colour)
    artefact = ready.burst | ready.saturated | ready.flat | ready.stepped
    return kind, np.round(artefact.sum(axis=1) / width, 4)


def _nothing(block: Real) -> pl.DataFrame:
    """Too short or too slowly sampled to hold three breaths of any rate."""
    rows = len(block)
    nan = np.full(rows, np.nan)
    out = np.isinf(block)
    share = out.mean(axis=1) if block.shape[1] else np.zeros(rows)
    kind = np.where(share > 0, str(ArtefactKind.SATURATED), str(ArtefactKind.NONE))
    verdict = np.full(rows, str(Verdict.NOT_ASSESSABLE))
    return _frame(verdict, nan, nan, nan, nan, nan, np.round(share, 4), kind)


def _frame(
    verdict: NDArray[np.str_],
    rate: Real,
    swing: Real,
    low: Real,
    high: Real,
    lowest: Real,
    share: Real,
    kind: NDArray[np.str_],
) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "verdict": verdict.tolist(),
            "breath_rate_per_min": rate,
            "swing_cmh2o": swing,
            "swing_low_cmh2o": low,
            "swing_high_cmh2o": high,
            "lowest_rate_per_min": lowest,
            "artefact_fraction": share,
            "artefact_kind": kind.tolist(),
        },
        nan_to_null=True,
    )
