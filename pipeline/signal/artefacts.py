"""What in pressure traces is not evidence: invalid samples, a stuck sensor, steps, cough and motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.rows import bridge, merge, ordered, pick, run_lengths, running, widen

Real = NDArray[np.floating[Any]]
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
    usable
        Which samples are evidence. A crest cut off by the sensor's range is: it is at least that high.
    known
        Which samples are evidence and were measured, not cut off.
    saturated, flat, stepped, burst
        Why others are not (besides missing values); a sample may have several reasons.
    burst_is_cough
        (traces,) whether the bursts look like cough (spikes above the rest) rather than motion.
    constant
        (traces,) whether the trace never moves at all.
    """

    rate_hz: float
    pressure: Real
    usable: Flag
    known: Flag
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
    energy above the breathing band, against the trace's own quiet level and a ceiling, with the slow
    part of a movement around them; up to two lasting steps of level (a changed set pressure, a
    posture), taken out and masked where they happen. A burst must carry fast energy: deep or fast
    breathing, and breathing in clusters between apnoeas, has none and is left alone.

    Parameters
    ----------
    samples
        (traces, samples) cm[H2O]; NaN no value, ±inf out of range.
    """
    gone = ~(np.abs(samples) <= rules.believable)
    holed = np.flatnonzero(gone.any(axis=1))
    values, saturated, cut = samples, np.zeros_like(gone), np.zeros_like(gone)
    if len(holed):
        values = samples.copy()
        values[holed], saturated[holed], cut[holed] = _at_the_rails(
            samples[holed], gone[holed], rate_hz, rules
        )
        gone[holed] &= ~cut[holed]
    constant, flat = _stuck(values, gone | cut, rate_hz, rules)
    clipped = _clipped(values, gone | flat | cut, rate_hz, rules)
    gone |= flat
    gone |= clipped
    saturated |= clipped
    holed = np.flatnonzero(gone.any(axis=1))

    hz = rate_hz / by
    pressure = merge(values, by, np.add)
    pressure /= by
    missing, saturated, flat, cut = (
        merge(flags, by, np.logical_or) if flags.any() else np.zeros(pressure.shape, dtype=bool)
        for flags in (gone, saturated, flat, cut)
    )
    if len(holed):
        bridged = bridge(values[holed], gone[holed])
        pressure[holed] = merge(bridged, by, np.add) / by
    pressure -= pressure.mean(axis=1)[:, None]
    burst = _bursts(pressure, missing, hz, rules)
    stepped = np.zeros_like(missing)
    rows = np.arange(len(pressure))
    for _ in range(2):
        rows = _take_out_steps(pressure, missing | burst, stepped, rows, hz, rules)
    burst &= ~stepped
    artefact = burst | stepped
    usable = ~(missing | artefact)
    cough = _one_sided(pressure, burst, rules)
    marked = np.flatnonzero(artefact.any(axis=1))
    if len(marked):
        pressure[marked] = bridge(pressure[marked], ~usable[marked])
    burst &= ~missing
    stepped &= ~missing
    return Conditioned(hz, pressure, usable, usable & ~cut, saturated, flat, stepped, burst, cough, constant)


def _at_the_rails(samples: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> tuple[Real, Flag, Flag]:
    """Out-of-range samples put to the extreme values seen; all of them, and those of crests cut off."""
    saturated = np.isinf(samples)
    over = samples > 0
    values = np.where(gone, 0.0, samples).astype(samples.dtype)
    most = np.where(gone, -np.inf, samples).max(axis=1)[:, None]
    least = np.where(gone, np.inf, samples).min(axis=1)[:, None]
    seen = np.isfinite(most)
    cut = saturated & seen & (run_lengths(saturated) <= rules.stuck_seconds * rate_hz)
    values = np.where(cut, np.where(over, np.where(seen, most, 0.0), np.where(seen, least, 0.0)), values)
    return values, saturated, cut


def _stuck(values: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> tuple[Flag, Flag]:
    """Traces that never move; and runs of one value where the rest moves too often for that to be chance."""
    width = values.shape[1]
    flat = np.zeros(values.shape, dtype=bool)
    constant: Flag = np.zeros(len(values), dtype=bool)
    need = max(2, round(rules.stuck_seconds * rate_hz) - 1)
    # A run this long holds a pair of equal samples half of it apart.
    apart = max(1, min(need // 2, width - 1))
    thin = values[:, ::apart]
    repeats = (thin[:, 1:] == thin[:, :-1]).any(axis=1) if width > 1 else np.ones(len(values), dtype=bool)
    rows = np.flatnonzero(repeats | gone.any(axis=1))
    if not len(rows):
        return constant, flat
    part, lost = values[rows], gone[rows]
    first = part[np.arange(len(rows)), np.argmax(~lost, axis=1)]
    constant[rows] = (lost | (part == first[:, None])).all(axis=1)
    same = np.zeros(part.shape, dtype=bool)
    same[:, 1:] = (part[:, 1:] == part[:, :-1]) & ~(lost[:, 1:] | lost[:, :-1])
    some = np.flatnonzero(running(same, min(need, width), np.logical_and).any(axis=1))
    if len(some):
        here = same[some]
        long = here & (run_lengths(here) >= need)
        others = ~long & ~lost[some]
        moves = (others & ~here).sum(axis=1) >= rules.stuck_moves * np.maximum(others.sum(axis=1), 1)
        long &= moves[:, None]
        long[:, :-1] |= long[:, 1:]
        flat[rows[some]] = long
    flat[constant] = ~gone[constant]
    return constant, flat


def _clipped(values: Real, gone: Flag, rate_hz: float, rules: TraceRules) -> Flag:
    """Runs at the trace's own greatest or least value that begin with a jump: a rail, not a crest."""
    found = np.zeros(values.shape, dtype=bool)
    need = max(3, round(rules.rail_seconds * rate_hz))
    if values.shape[1] <= need:
        return found
    # Few traces have a jump at all: the others have no rail.
    step = np.abs(values[:, 1:] - values[:, :-1])
    if gone.any():
        step[gone[:, 1:] | gone[:, :-1]] = 0.0
    limit = rules.rail_jump * step.mean(axis=1) + rules.rail_least
    rows = np.flatnonzero(step.max(axis=1) > limit)
    if not len(rows):
        return found
    part, lost, steep = values[rows], gone[rows], step[rows] > limit[rows][:, None]
    for far, take in ((-np.inf, np.max), (np.inf, np.min)):
        here = (part == take(np.where(lost, far, part), axis=1)[:, None]) & ~lost
        long = here & (run_lengths(here) >= need)
        jumps = (long[:, 1:] & ~here[:, :-1] & steep).any(axis=1)
        found[rows] |= long & jumps[:, None]
    return found


def _bursts(pressure: Real, gone: Flag, hz: float, rules: TraceRules) -> Flag:
    """Stretches with fast energy far above the trace's own quiet level, or any breath's; widened, joined."""
    energy = _fast_part(pressure, gone, hz)
    width = max(3, round(rules.burst_window * hz))
    half = width // 2
    level = np.zeros_like(energy)
    if energy.shape[1] >= width:
        inner = level[:, half : half + energy.shape[1] - width + 1]
        for k in range(width):
            inner += energy[:, k : k + inner.shape[1]]
        level /= width
    thin = slice(None, None, 3)
    known = ~gone[:, thin]
    count = known.sum(axis=1)
    quiet = pick(ordered(level[:, thin], known), count, rules.burst_quiet)
    inorder = ordered(pressure[:, thin], known)
    body = pick(inorder, count, 0.75) - pick(inorder, count, 0.25)
    floor = rules.burst_least + rules.burst_share * body
    ceiling = rules.burst_most + rules.burst_share * body
    limit = np.minimum(np.maximum(floor**2, rules.burst_ratio**2 * quiet), ceiling**2)
    burst: Flag = np.asarray(level > limit[:, None])
    rows = np.flatnonzero(burst.any(axis=1))
    if len(rows):
        wide = widen(burst[rows], round(rules.burst_margin * hz))
        wide |= _moving_around(pressure[rows], wide, gone[rows], hz, rules)
        joined = round(rules.burst_join * hz)
        short = ~wide & (run_lengths(wide) < joined)
        burst[rows] = wide | (short & widen(wide, joined))
    return burst


def _fast_part(pressure: Real, gone: Flag, hz: float) -> Real:
    """
    Energy above the breathing band, a sample: the square of the fourth difference over 0.2 s.

    Its gain is (1 - cos(2 pi f 0.2 s))^2, set to 1 at 2 Hz: a cough's transients pass, of breathing at
    15/min a four-hundredth remains, at 35/min a fiftieth.
    """
    k = max(1, round(0.2 * hz))
    energy = np.zeros_like(pressure)
    if pressure.shape[1] <= 4 * k:
        return energy
    bend = pressure[:, : -2 * k] + pressure[:, 2 * k :]
    bend *= -0.5
    bend += pressure[:, k:-k]
    twice = bend[:, : -2 * k] + bend[:, 2 * k :]
    twice *= -0.5
    twice += bend[:, k:-k]
    twice /= (1 - np.cos(4 * np.pi * k / hz)) ** 2
    np.multiply(twice, twice, out=energy[:, 2 * k : -2 * k])
    rows = np.flatnonzero(gone.any(axis=1))
    if len(rows):
        energy[rows] = np.where(widen(gone[rows], 2 * k), 0.0, energy[rows])
    return energy


def _moving_around(pressure: Real, burst: Flag, gone: Flag, hz: float, rules: TraceRules) -> Flag:
    """
    The slow part of a movement: what is restless without a break around bursts that fill enough of it.

    Restless is a range over `restless_window` far above the trace's own usual one, so that breathing,
    being usual, is not; and breaths between apnoeas, having no bursts among them, are not either.
    """
    window = max(3, round(rules.restless_window * hz) | 1)
    if pressure.shape[1] < 2 * window:
        return burst
    half = window // 2
    range_ = np.zeros_like(pressure)
    range_[:, half : pressure.shape[1] - half] = running(pressure, window, np.maximum) - running(
        pressure, window, np.minimum
    )
    range_[:, :half] = range_[:, half : half + 1]
    range_[:, pressure.shape[1] - half :] = range_[:, pressure.shape[1] - half - 1 :][:, :1]
    thin = slice(None, None, 5)
    known = ~gone[:, thin]
    usual = pick(ordered(range_[:, thin], known), known.sum(axis=1), rules.burst_quiet)
    limit = np.maximum(rules.restless_ratio * usual, rules.restless_least)
    region = (range_ > limit[:, None]) | burst
    # The share of each stretch that bursts fill, by the running count at its ends.
    change = np.ones(region.shape, dtype=bool)
    change[:, 1:] = region[:, 1:] != region[:, :-1]
    begins = np.flatnonzero(change.ravel())
    lengths = np.diff(np.append(begins, region.size))
    filled = np.add.reduceat(burst.ravel().astype(np.int64), begins)
    enough = region.ravel()[begins] & (filled >= rules.restless_filled * lengths)
    return np.repeat(enough, lengths).reshape(region.shape)


def _take_out_steps(
    pressure: Real, masked: Flag, stepped: Flag, rows: NDArray[np.int64], hz: float, rules: TraceRules
) -> NDArray[np.int64]:
    """
    Take the greatest lasting step of level out of these rows, in place; return the rows that had one.

    Looked for in the means of whole seconds: the mean of the `step_window` after differs from that of
    as long before by more than breathing explains, and most of that is there within `step_within`.
    """
    second = max(1, round(hz))
    seconds = pressure.shape[1] // second
    if seconds < 12 or not len(rows):
        return rows[:0]
    every = len(rows) == len(pressure)
    part = pressure if every else pressure[rows]
    gone = masked | stepped if every else (masked | stepped)[rows]
    holed = bool(gone.any())
    total = merge(np.where(gone, 0.0, part) if holed else part, second, np.add)
    far, near = round(rules.step_window), round(rules.step_within)

    def sums(values: Real) -> Real:
        """Running sums, kept at their ends as far as the windows reach beyond them."""
        out = np.zeros((len(values), seconds + 1 + 2 * far), dtype=part.dtype)
        np.cumsum(values, axis=1, out=out[:, far + 1 : far + 1 + seconds])
        out[:, far + 1 + seconds :] = out[:, far + seconds : far + seconds + 1]
        return out

    ones = (~gone).astype(part.dtype) if holed else np.ones((1, part.shape[1]), dtype=part.dtype)
    heights, counts = sums(total), sums(merge(ones, second, np.add))
    at = np.arange(5, seconds - 5)
    places = len(at)

    def jump(reach: int) -> Real:
        # Seconds 1 to `reach` after each place, less as many up to one before it.
        a, d = far + 6, far + 4
        after, before = (
            (heights[:, u : u + places] - heights[:, v : v + places])
            / np.maximum(counts[:, u : u + places] - counts[:, v : v + places], 1)
            for u, v in ((a + reach, a), (d, d - reach))
        )
        return np.asarray(after - before)

    lasting, local = jump(far), jump(near)
    size = np.abs(lasting)
    size[local * np.sign(lasting) <= rules.step_sudden * size] = 0.0
    best = np.argmax(size, axis=1)
    one = np.arange(len(rows))
    height = size[one, best]
    some = np.flatnonzero(height > rules.step_least)
    if not len(some):
        return rows[:0]
    whole = part[some]
    spread = running(merge(whole, second, np.maximum), 8, np.maximum)
    spread = spread - running(merge(whole, second, np.minimum), 8, np.minimum)
    scale = pick(np.sort(spread, axis=1), np.full(len(some), spread.shape[1]), 0.5)
    real = some[height[some] > rules.step_least + rules.step_share * scale]
    if not len(real):
        return rows[:0]
    where = (at[best] * second)[real]
    index = np.arange(pressure.shape[1])
    after = index >= where[:, None]
    pressure[rows[real]] -= np.where(after, lasting[one, best][real][:, None], 0.0)
    stepped[rows[real]] |= np.abs(index - where[:, None]) <= round(rules.step_margin * hz)
    return np.asarray(rows[real])


def _one_sided(pressure: Real, burst: Flag, rules: TraceRules) -> Flag:
    """Whether the bursts rise far more than they fall, in spikes: their skewness."""
    found = np.zeros(len(burst), dtype=bool)
    rows = np.flatnonzero(burst.any(axis=1))
    if len(rows):
        inside, part = burst[rows], pressure[rows].astype(np.float64)
        count = np.maximum(inside.sum(axis=1), 1)
        mean = np.where(inside, part, 0.0).sum(axis=1) / count
        off = np.where(inside, part - mean[:, None], 0.0)
        variance = (off * off).sum(axis=1) / count
        third = (off * off * off).sum(axis=1) / count
        found[rows] = third > rules.cough_skew * np.maximum(variance, 1e-9) ** 1.5
    return found
