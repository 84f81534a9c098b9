"""What in pressure traces is not evidence: invalid samples, a stuck sensor, steps, cough and motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.definitions import TraceRules
from pipeline.signal.bursts import bursts, one_sided
from pipeline.signal.rows import bridge, merge
from pipeline.signal.sensor import at_the_rails, clipped, stuck
from pipeline.signal.steps import take_out_steps

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
        values[holed], saturated[holed], cut[holed] = at_the_rails(
            samples[holed], gone[holed], rate_hz, rules
        )
        gone[holed] &= ~cut[holed]
    constant, flat = stuck(values, gone | cut, rate_hz, rules)
    railed = clipped(values, gone | flat | cut, rate_hz, rules)
    gone |= flat
    gone |= railed
    saturated |= railed
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
    burst = bursts(pressure, missing, hz, rules)
    stepped = np.zeros_like(missing)
    rows = np.arange(len(pressure))
    for _ in range(2):
        rows = take_out_steps(pressure, missing | burst, stepped, rows, hz, rules)
    burst &= ~stepped
    artefact = burst | stepped
    usable = ~(missing | artefact)
    cough = one_sided(pressure, burst, rules)
    marked = np.flatnonzero(artefact.any(axis=1))
    if len(marked):
        pressure[marked] = bridge(pressure[marked], ~usable[marked])
    burst &= ~missing
    stepped &= ~missing
    return Conditioned(hz, pressure, usable, usable & ~cut, saturated, flat, stepped, burst, cough, constant)
