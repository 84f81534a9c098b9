"""
Invented pressure traces for the tests of `pipeline.signal`, each with what is true of it.

Independent of `pipeline.simulate` on purpose: other shapes, other noise. Magnitudes follow textbook
physiology (quiet pleural swing of a few cm[H2O], cough of tens within 0.2 to 0.6 s, heart of tenths
at 50 to 150/min) and the trade's common knowledge of suction pumps (a saw-tooth or relaxation cycle
of 2 to 20 s); the rest is our judgement. Nothing here looks at the detector.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]


@dataclass
class Breathing:
    """A breath pattern: rate, swing, and how much both vary from breath to breath."""

    rate_per_min: float = 15.0
    swing: float = 3.0
    interval_cv: float = 0.08
    swing_cv: float = 0.12
    inspired_share: float = 0.38
    pause_share: float = 0.15
    shape: str = "cosine"
    inverted: bool = False


def breaths(rng: np.random.Generator, seconds: float, rate_hz: float, how: Breathing) -> Samples:
    """Breath after breath, each with its own length and depth; expiratory level at 0, inspiration below."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    out = np.zeros_like(t)
    period = 60.0 / how.rate_per_min
    start = -rng.uniform(0, period)
    while start < seconds:
        length = period * max(0.35, 1 + how.interval_cv * rng.standard_normal())
        depth = how.swing * max(0.1, 1 + how.swing_cv * rng.standard_normal())
        u = (t - start) / length
        inside = (u >= 0) & (u < 1)
        out[inside] = -depth * _profile(u[inside], how)
        start += length
    return -out if how.inverted else out


def _profile(u: Samples, how: Breathing) -> Samples:
    ti, rest = how.inspired_share, 1 - how.pause_share
    if how.shape == "sine":
        return 0.5 - 0.5 * np.cos(2 * np.pi * u)
    rising = 0.5 - 0.5 * np.cos(np.pi * np.clip(u / ti, 0, 1))
    if how.shape == "cosine":
        falling = 0.5 + 0.5 * np.cos(np.pi * np.clip((u - ti) / (rest - ti), 0, 1))
        return np.where(u < ti, rising, falling)
    # "passive": expiration runs out exponentially, as under a ventilator or at rest
    tail = np.exp(-(u - ti) / (0.3 * (1 - ti)))
    end = np.exp(-1 / 0.3)
    return np.where(u < ti, rising, (tail - end) / (1 - end))


def heart(rng: np.random.Generator, seconds: float, rate_hz: float, bpm: float, size: float) -> Samples:
    """A pulse with two harmonics and slow variation of its rate; `size` is peak to trough."""
    n = round(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    wander = np.cumsum(rng.standard_normal(n)) * 0.01 / np.sqrt(rate_hz)
    phase = 2 * np.pi * bpm / 60 * t * (1 + 0.0 * t) + 2 * np.pi * wander + rng.uniform(0, 6.28)
    wave = np.sin(phase) + 0.5 * np.sin(2 * phase + 1) + 0.2 * np.sin(3 * phase + 2)
    return size * wave / 2.6


def pump(
    rng: np.random.Generator,
    seconds: float,
    rate_hz: float,
    period: float,
    size: float,
    jitter: float,
    shape: str,
) -> Samples:
    """Regulation of the pump: leak lets the pressure rise, the pump pulls it back quickly."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    out = np.zeros_like(t)
    start = -rng.uniform(0, period)
    pull = rng.uniform(0.15, 0.5)
    while start < seconds:
        length = period * max(0.3, 1 + jitter * rng.standard_normal())
        inside = (t >= start) & (t < start + length)
        s = t[inside] - start
        down = np.clip(1 - s / pull, 0, 1)
        up = np.clip((s - pull) / max(length - pull, 0.1), 0, 1)
        if shape == "relaxation":
            up = (1 - np.exp(-2 * up)) / (1 - np.exp(-2))
        out[inside] = size * np.where(s < pull, down, up)
        start += length
    return out


def coughs(rng: np.random.Generator, seconds: float, rate_hz: float, share: float, size: float) -> Samples:
    """Bouts of 0.2 to 0.6 s transients, together over about `share` of the trace."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    out = np.zeros_like(t)
    bouts = max(1, round(share * seconds / 8))
    each = share * seconds / bouts
    for start in np.sort(rng.uniform(0, max(seconds - each, 0.1), bouts)):
        at = start
        while at < start + each:
            width = rng.uniform(0.2, 0.6)
            height = size * rng.uniform(0.4, 1.2)
            u = (t - at) / width
            inside = (u >= 0) & (u < 1)
            out[inside] += height * np.sin(np.pi * u[inside]) ** 2
            under = (u >= 1) & (u < 1.7)
            out[under] -= 0.3 * height * np.sin(np.pi * (u[under] - 1) / 0.7)
            at += width + rng.uniform(0.1, 0.9)
    return out


def motion(rng: np.random.Generator, seconds: float, rate_hz: float, share: float, size: float) -> Samples:
    """Irregular broad-band movement (0.2 to 3 Hz) with small offsets, over about `share` of the trace."""
    n = round(seconds * rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / rate_hz)
    noise = np.fft.irfft(spectrum * ((f > 0.2) & (f < min(3.0, rate_hz / 2))) / np.sqrt(f + 0.2), n)
    noise *= size / max(float(noise.std()), 1e-9)
    gate = np.zeros(n)
    stretches = max(1, round(share * seconds / 12))
    each = round(share * n / stretches)
    for start in rng.integers(0, max(n - each, 1), stretches):
        ramp = min(each // 4, round(0.5 * rate_hz)) or 1
        g = np.ones(each)
        g[:ramp] = np.linspace(0, 1, ramp)
        g[-ramp:] = np.linspace(1, 0, ramp)
        gate[start : start + each] = np.maximum(gate[start : start + each], g[: n - start])
    return noise * gate


def bumps(rng: np.random.Generator, seconds: float, rate_hz: float, swing: float) -> Samples:
    """One to three slow bumps of 1.5 to 6 s, one to four times a breath: sighs, a shift in bed, a loop that drains."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    out = np.zeros_like(t)
    for _ in range(int(rng.integers(1, 4))):
        width, at = rng.uniform(1.5, 6), rng.uniform(0, seconds)
        u = (t - at) / width
        inside = (u >= 0) & (u < 1)
        out[inside] += rng.choice([-1, 1]) * swing * rng.uniform(1, 4) * np.sin(np.pi * u[inside]) ** 2
    return out


def ar1(rng: np.random.Generator, n: int, phi: float, size: float) -> Samples:
    """Correlated noise of standard deviation `size`."""
    from scipy.signal import lfilter

    white = rng.standard_normal(n + 200)
    out: Samples = lfilter([np.sqrt(1 - phi**2)], [1, -phi], white)[200:]
    return size * out


def drift(rng: np.random.Generator, n: int, size: float) -> Samples:
    """A slow trend and bend of up to `size`."""
    u = np.linspace(-1, 1, n)
    a, b, c = rng.uniform(-1, 1, 3)
    return size * (a * u + 0.5 * b * u**2 + 0.3 * np.sin(2 * np.pi * 0.5 * c * u))


@dataclass
class Batch:
    """Traces of one class with their truth."""

    name: str
    rate_hz: float
    breathing: bool
    traces: list[Samples] = field(default_factory=list)
    rates: list[float] = field(default_factory=list)
    swings: list[float] = field(default_factory=list)

    def matrix(self) -> Samples:
        """(n_traces, n_samples)."""
        return np.vstack(self.traces)


def make(
    name: str, n: int, seed: int, breathing: bool, seconds: float = 60.0, rate_hz: float = 10.0, **given: Any
) -> Batch:
    """`n` traces of a class: clean, cough, motion, hard, pump, ..., breathing or blocked."""
    rng = np.random.default_rng([seed, sum(map(ord, name)), int(breathing)])
    batch = Batch(name, rate_hz, breathing)
    for _ in range(n):
        x = np.full(round(seconds * rate_hz), -20.0)
        m = len(x)
        rate, swing = np.nan, 0.0
        if breathing:
            rate, swing = rng.uniform(9, 30), float(np.exp(rng.uniform(np.log(1.0), np.log(8.0))))
            icv, scv = rng.uniform(0.02, 0.14), rng.uniform(0.03, 0.2)
            if name in ("slow", "fast", "hard"):
                rate = {"slow": 8.0, "fast": 35.0}.get(name, rng.choice([8.0, 15.0, 35.0]))
            if name in ("irregular", "hard"):
                icv, scv = 0.2, 0.25
            if name in ("small", "hard"):
                swing = rng.uniform(0.8, 1.2)
            rate, swing = given.get("rate", rate), given.get("swing", swing)
            icv, scv = given.get("interval_cv", icv), given.get("swing_cv", scv)
            how = Breathing(
                rate,
                swing,
                icv,
                scv,
                rng.uniform(0.3, 0.5),
                rng.uniform(0.0, 0.25),
                str(rng.choice(["cosine", "cosine", "sine", "passive"])),
                inverted=bool(name == "inverted"),
            )
            x = x + breaths(rng, seconds, rate_hz, how)
        x = x + rng.uniform(0.02, 0.12) * rng.standard_normal(m) + ar1(rng, m, 0.9, rng.uniform(0, 0.06))
        x = x + drift(rng, m, rng.uniform(0, 0.6))
        if name != "pure":
            x = x + heart(rng, seconds, rate_hz, rng.uniform(55, 110), rng.uniform(0.0, 0.2))
        if name in ("heart", "hard"):
            x = x + heart(rng, seconds, rate_hz, rng.uniform(50, 150), rng.uniform(0.2, 0.6))
        share = rng.uniform(0.1, 0.4)
        if name == "cough":
            x = x + coughs(rng, seconds, rate_hz, share, rng.uniform(8, 40))
        if name == "motion":
            x = x + motion(rng, seconds, rate_hz, share, rng.uniform(1, 6))
        if name == "pump" or (name == "hard" and rng.random() < 0.6):
            x = x + pump(
                rng,
                seconds,
                rate_hz,
                rng.uniform(2, 12),
                rng.uniform(0.4, 2.5) if name == "pump" else rng.uniform(0.2, 1.0),
                rng.uniform(0, 0.04),
                str(rng.choice(["saw", "relaxation"])),
            )
        if name == "pump_irregular":
            x = x + pump(
                rng,
                seconds,
                rate_hz,
                rng.uniform(2, 12),
                rng.uniform(0.4, 2.5),
                rng.uniform(0.05, 0.25),
                str(rng.choice(["saw", "relaxation"])),
            )
        if name == "ar1":
            x = x + ar1(rng, m, rng.uniform(0.8, 0.995), rng.uniform(0.3, 2.0))
        if name == "big_drift":
            x = (
                x
                + drift(rng, m, rng.uniform(1, 6))
                + np.cumsum(rng.standard_normal(m)) * rng.uniform(0.01, 0.1)
            )
        if name == "step":
            at = rng.integers(m // 6, 5 * m // 6)
            rise = np.clip((np.arange(m) - at) / rate_hz / rng.uniform(0.3, 2), 0, 1)
            x = x + rise * rng.choice([-12.0, 12.0, -5.0, 5.0])
        if name == "restless":
            x = x + bumps(rng, seconds, rate_hz, swing if breathing else rng.uniform(1.0, 8.0))
        if name == "saturated":
            lo, hi = np.quantile(x, [0.12, 0.9])
            x = np.where(x > hi, np.inf, np.where(x < lo, -np.inf, x))
        x = np.round(x / 0.1) * 0.1
        if name == "dropouts":
            for _ in range(int(rng.integers(1, 6))):
                a = rng.integers(0, m)
                x[a : a + int(rng.uniform(0.2, 5) * rate_hz)] = np.nan
        if name == "stuck":
            a = rng.integers(0, m // 2)
            x[a : a + int(rng.uniform(8, 25) * rate_hz)] = x[a]
        batch.traces.append(x)
        batch.rates.append(rate)
        batch.swings.append(swing)
    return batch
