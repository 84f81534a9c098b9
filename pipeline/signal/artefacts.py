"""What in pressure traces is not evidence: invalid samples, a stuck sensor, steps, cough and motion."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.rows import bridge, merge, pick, quantile, run_lengths, running, widen

Real = NDArray[np.float64]
Flag = NDArray[np.bool_]


@dataclass(frozen=True)
class Conditioned:
    """
    A block of traces made ready for the search for breaths, averaged down to `rate_hz`.

    Attributes
    ----------
    pressure
        (traces, samples), cm[H2O], around 0, lasting steps taken out. Where `usable` is false it holds
        a straight line between the usable neighbours, for filters to run over; no evidence is
        taken there.
    edges
        Greatest change of the pressure within half a second from each sample on, as absolute value.
    usable
        Which samples are evidence.
    saturated, flat, stepped, burst
        Why others are not (besides missing values); a sample may have several reasons.
    burst_is_cough
        (traces,) whether the bursts look like cough (one-sided spikes) rather than motion.
    constant
        (traces,) whether the trace never moves at all.
    """

    rate_hz: float
    pressure: Real
    edges: Real
    usable: Flag
    saturated: Flag
    flat: Flag
    stepped: Flag
    burst: Flag
    burst_is_cough: Flag
    constant: Flag


def condition(samples: Real, rate_hz: float, by: int, rules: TraceRules) -> Conditioned:
    """
    Mask what is not evidence in a block of traces and average `by` samples into one.

    In this order: codes for no value or out of range, and values beyond belief; a stuck sensor (the
    same value for `stuck_seconds` in a trace that otherwise moves); clipping; bursts (cough, motion) by their
    energy above the breathing band, against the trace's own quiet level and a ceiling; up to two
    lasting steps of level (a changed set pressure, a posture), taken out and masked where they
    happen. A burst must carry fast energy: deep or fast breathing, and breathing in clusters between
    apnoeas, has none and is left alone.

    Parameters
    ----------
    samples
        (traces, samples) cm[H2O]; NaN no value, ±inf out of range.
    """
    invalid = ~(np.abs(samples) <= rules.believable)
    saturated = np.isinf(samples)
    values = np.where(invalid, 0.0, samples)
    constant, flat = _stuck(values, invalid, rate_hz, rules)
    saturated |= _clipped(values, invalid | flat, rate_hz)
    gone = invalid | flat | saturated
    known = np.maximum((~gone).sum(axis=1), 1)
    values -= (np.where(gone, 0.0, values).sum(axis=1) / known)[:, None]
    values = bridge(values, gone)
    fast, edges = _fast_part(values, gone, rate_hz), _edges(values, rate_hz)

    hz = rate_hz / by
    missing, saturated, flat = (merge(flags, by, np.logical_or) for flags in (gone, saturated, flat))
    pressure, edges = merge(values, by, np.add) / by, merge(edges, by, np.maximum)
    energy = merge(fast, by, np.add) / by
    burst = _bursts(pressure, energy, missing, hz, rules)
    stepped = np.zeros_like(missing)
    rows = np.arange(len(pressure))
    for _ in range(2):
        rows = _take_out_steps(pressure, missing | burst, stepped, rows, hz, rules)
    burst &= ~stepped
    usable = ~(missing | stepped | burst)
    cough = _one_sided(pressure, usable, burst)
    pressure = bridge(pressure, ~usable)
    burst &= ~missing
    stepped &= ~missing
    return Conditioned(hz, pressure, edges, usable, saturated, flat, stepped, burst, cough, constant)


def _stuck(values: Real, invalid: Flag, rate_hz: float, rules: TraceRules) -> tuple[Flag, Flag]:
    """Traces that never move; and runs of one value where the rest moves too often for that to be chance."""
    same = np.zeros(values.shape, dtype=bool)
    same[:, 1:] = (values[:, 1:] == values[:, :-1]) & ~(invalid[:, 1:] | invalid[:, :-1])
    flat = np.zeros(values.shape, dtype=bool)
    constant: Flag = np.asarray(invalid.all(axis=1))
    need = max(2, round(rules.stuck_seconds * rate_hz) - 1)
    rows = np.flatnonzero(running(same, min(need, values.shape[1]), np.logical_and).any(axis=1))
    still = np.flatnonzero((same | invalid).sum(axis=1) >= values.shape[1] * 0.2)
    for_constant = values[still]
    first = for_constant[np.arange(len(still)), np.argmax(~invalid[still], axis=1)]
    constant[still] |= (invalid[still] | (for_constant == first[:, None])).all(axis=1)
    if len(rows):
        here = same[rows]
        long = here & (run_lengths(here) >= need)
        others = ~long & ~invalid[rows]
        moves = (others & ~here).sum(axis=1) >= rules.stuck_moves * np.maximum(others.sum(axis=1), 1)
        long &= moves[:, None]
        long[:, :-1] |= long[:, 1:]
        flat[rows] = long
    flat[constant] = ~invalid[constant]
    return constant, flat


def _clipped(values: Real, gone: Flag, rate_hz: float) -> Flag:
    """Runs at the trace's own greatest or least value that begin with a jump: a rail, not a crest."""
    found = np.zeros(values.shape, dtype=bool)
    need = max(3, round(0.5 * rate_hz))
    if values.shape[1] <= need:
        return found
    masked = gone.any()
    for far, take in ((-np.inf, np.max), (np.inf, np.min)):
        at = values == take(np.where(gone, far, values) if masked else values, axis=1)[:, None]
        if masked:
            at &= ~gone
        rows = np.flatnonzero(running(at, need, np.logical_and).any(axis=1))
        if not len(rows):
            continue
        here, part, lost = at[rows], values[rows], gone[rows]
        step = np.abs(part[:, 1:] - part[:, :-1])
        step[lost[:, 1:] | lost[:, :-1]] = 0.0
        steep = step > (4 * step.sum(axis=1) / np.maximum((~lost).sum(axis=1), 1) + 0.2)[:, None]
        long = here & (run_lengths(here) >= need)
        jumps = (long[:, 1:] & ~here[:, :-1] & steep).any(axis=1)
        found[rows] |= long & jumps[:, None]
    return found


def _fast_part(values: Real, gone: Flag, rate_hz: float) -> Real:
    """
    Energy above the breathing band, a sample: the square of the fourth difference over 0.2 s.

    Its gain is (1 - cos(2 pi f 0.2 s))^2, set to 1 at 2 Hz: a cough's transients pass, of breathing at
    15/min a four-hundredth remains, at 35/min a fiftieth.
    """
    k = max(1, round(0.2 * rate_hz))
    energy = np.zeros_like(values)
    if values.shape[1] <= 4 * k:
        return energy
    bend = values[:, : -2 * k] + values[:, 2 * k :]
    bend *= -0.5
    bend += values[:, k:-k]
    twice = bend[:, : -2 * k] + bend[:, 2 * k :]
    twice *= -0.5
    twice += bend[:, k:-k]
    twice /= (1 - np.cos(4 * np.pi * k / rate_hz)) ** 2
    np.multiply(twice, twice, out=energy[:, 2 * k : -2 * k])
    rows = np.flatnonzero(gone.any(axis=1))
    if len(rows):
        energy[rows] = np.where(widen(gone[rows], 2 * k), 0.0, energy[rows])
    return energy


def _edges(values: Real, rate_hz: float) -> Real:
    half = max(1, round(0.5 * rate_hz))
    edges = np.zeros_like(values)
    if values.shape[1] > half:
        np.abs(values[:, half:] - values[:, :-half], out=edges[:, :-half])
    return edges


def _bursts(pressure: Real, energy: Real, gone: Flag, hz: float, rules: TraceRules) -> Flag:
    """Stretches with fast energy far above the trace's own quiet level, or any breath's; widened, joined."""
    width = max(3, round(0.6 * hz))
    half = width // 2
    padded = np.zeros((len(energy), energy.shape[1] + width - 1))
    padded[:, half : half + energy.shape[1]] = np.where(gone, 0.0, energy)
    level = reduce(np.add, (padded[:, k : k + energy.shape[1]] for k in range(width))) / width
    thin = slice(None, None, 3)
    known = ~gone[:, thin]
    quiet = quantile(level[:, thin], known, 0.3)
    ordered = np.sort(np.where(known, pressure[:, thin], np.inf), axis=1)
    count = known.sum(axis=1)
    body = pick(ordered, count, 0.75) - pick(ordered, count, 0.25)
    floor = rules.burst_least + 0.12 * body
    ceiling = rules.burst_most + 0.12 * body
    limit = np.minimum(np.maximum(floor**2, rules.burst_ratio**2 * quiet), ceiling**2)
    burst = np.asarray(level > limit[:, None])
    rows = np.flatnonzero(burst.any(axis=1))
    if len(rows):
        wide = widen(burst[rows], round(0.6 * hz))
        short = ~wide & (run_lengths(wide) < round(1.5 * hz))
        burst[rows] = wide | (short & widen(wide, round(1.5 * hz)))
    return burst


def _take_out_steps(
    pressure: Real, masked: Flag, stepped: Flag, rows: NDArray[np.int64], hz: float, rules: TraceRules
) -> NDArray[np.int64]:
    """
    Take the greatest lasting step of level out of these rows, in place; return the rows that had one.

    Looked for in the means of whole seconds: the mean of the 12 s after differs from that of the 12 s
    before by more than breathing explains, and most of that is there within 4 s.
    """
    second = max(1, round(hz))
    seconds = pressure.shape[1] // second
    if seconds < 12 or not len(rows):
        return rows[:0]
    gone = (masked | stepped)[rows]
    part = pressure[rows]
    weight = merge((~gone).astype(np.float64), second, np.add)
    total = merge(np.where(gone, 0.0, part), second, np.add)
    sums = np.zeros((len(rows), seconds + 1))
    counts = np.zeros((len(rows), seconds + 1))
    np.cumsum(total, axis=1, out=sums[:, 1:])
    np.cumsum(weight, axis=1, out=counts[:, 1:])
    at = np.arange(5, seconds - 5)

    def jump(reach: int) -> Real:
        a, b = at + 1, np.minimum(at + 1 + reach, seconds)
        c, d = np.maximum(at - 1 - reach, 0), at - 1
        after = (sums[:, b] - sums[:, a]) / np.maximum(counts[:, b] - counts[:, a], 1)
        return np.asarray(after - (sums[:, d] - sums[:, c]) / np.maximum(counts[:, d] - counts[:, c], 1))

    lasting, local = jump(12), jump(4)
    size = np.where(local * np.sign(lasting) > 0.7 * np.abs(lasting), np.abs(lasting), 0.0)
    best = np.argmax(size, axis=1)
    one = np.arange(len(rows))
    high, low = merge(part, second, np.maximum), merge(part, second, np.minimum)
    spread = running(high, 8, np.maximum) - running(low, 8, np.minimum)
    scale = quantile(spread, np.ones(spread.shape, dtype=bool), 0.5)
    real = np.flatnonzero(size[one, best] > rules.step_least + 0.6 * scale)
    if not len(real):
        return rows[:0]
    where = (at[best] * second)[real]
    index = np.arange(pressure.shape[1])
    after = index >= where[:, None]
    pressure[rows[real]] -= np.where(after, lasting[one, best][real][:, None], 0.0)
    stepped[rows[real]] |= np.abs(index - where[:, None]) <= round(2 * hz)
    return rows[real]


def _one_sided(pressure: Real, usable: Flag, burst: Flag) -> Flag:
    """Whether the bursts rise far more than they fall, in spikes: their skewness."""
    found = np.zeros(len(burst), dtype=bool)
    rows = np.flatnonzero(burst.any(axis=1))
    if len(rows):
        inside, part = burst[rows], pressure[rows]
        count = np.maximum(inside.sum(axis=1), 1)
        mean = np.where(inside, part, 0.0).sum(axis=1) / count
        off = np.where(inside, part - mean[:, None], 0.0)
        variance = (off * off).sum(axis=1) / count
        third = (off * off * off).sum(axis=1) / count
        found[rows] = third > 0.6 * np.maximum(variance, 1e-9) ** 1.5
    return found
