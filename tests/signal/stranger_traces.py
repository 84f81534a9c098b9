"""
Invented pressure traces drawn in other ways than `pressure_traces`: to validate on, never to fit on.

Breathing comes from four strangers: a phase oscillator whose rate and depth wander smoothly, with five
shapes of breath; neurokit2's simulator (Noto et al. 2018) and its sine; and real recordings of people
(`tests/support/recordings.py`), cut into traces and scaled. Noise has a spectrum 1/f^a, coughs are pressure
rises that decay exponentially, motion is a string of small shifts and rocking, and the pump is a loop that switches between
two pressures seen through a tube that smooths. Magnitudes are those of `pressure_traces`.
"""

from __future__ import annotations

import warnings
from functools import cache

import neurokit2 as nk
import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter, resample_poly

from tests.signal.pressure_traces import Batch
from tests.support.recordings import recording

Samples = NDArray[np.float64]
Draw = np.random.Generator


def _smooth_walk(rng: Draw, n: int, seconds: float, rate_hz: float) -> Samples:
    """Unit-variance correlated wander with a time constant."""
    phi = np.exp(-1 / (seconds * rate_hz))
    white = rng.standard_normal(n + 500)
    out: Samples = lfilter([np.sqrt(1 - phi * phi)], [1, -phi], white)[500:]
    return out


def oscillator(
    rng: Draw, n: int, hz: float, rate: float, swing: float, vary: float
) -> tuple[Samples, float, float]:
    """A breath whose rate and depth wander; the trace, its mean rate and its typical peak-to-trough."""
    log_rate = vary * _smooth_walk(rng, n, 60 / rate, hz)
    log_depth = 1.3 * vary * _smooth_walk(rng, n, 60 / rate, hz)
    speed = rate / 60 * np.exp(log_rate - np.median(log_rate))
    u = np.cumsum(speed) / hz + rng.random()
    phase = u % 1.0
    depth = swing * np.exp(log_depth - np.median(log_depth))
    shape = rng.choice(["skewed", "power", "charge", "triangle", "plateau"])
    if shape == "skewed":  # a sine that leans
        a = rng.uniform(-0.6, 0.6)
        wave = 0.5 - 0.5 * np.cos(2 * np.pi * phase + a * np.sin(2 * np.pi * phase))
    elif shape == "power":  # short breaths with long rests
        wave = (0.5 - 0.5 * np.cos(2 * np.pi * phase)) ** rng.uniform(1, 2.2)
    elif shape == "charge":  # two exponentials, as in a chest with resistance and compliance
        ti, k = rng.uniform(0.3, 0.45), rng.uniform(1.5, 3.0)
        up = (1 - np.exp(-k * phase / ti)) / (1 - np.exp(-k))
        down = (np.exp(-k * (phase - ti) / (1 - ti)) - np.exp(-k)) / (1 - np.exp(-k))
        wave = np.where(phase < ti, up, down)
    elif shape == "triangle":
        ti = rng.uniform(0.35, 0.55)
        wave = np.minimum(phase / ti, (1 - phase) / (1 - ti))
    else:  # held at the top
        ti, hold = rng.uniform(0.25, 0.35), rng.uniform(0.0, 0.15)
        rise = np.sin(np.pi / 2 * np.clip(phase / ti, 0, 1)) ** 2
        fall = np.cos(np.pi / 2 * np.clip((phase - ti - hold) / 0.45, 0, 1)) ** 2
        wave = np.where(phase < ti, rise, fall)
    tau = rng.uniform(0.02, 0.12)
    gain = 1 - np.exp(-1 / (tau * hz))
    trace = lfilter([gain], [1, gain - 1], -depth * wave)
    cycles = np.floor(u).astype(int)
    tops = [np.ptp(trace[cycles == c]) for c in range(cycles[0] + 1, cycles[-1])]
    return trace, float((u[-1] - u[0]) / (n - 1) * hz * 60), float(np.median(tops)) if tops else swing


def simulated(rng: Draw, n: int, hz: float, rate: float, swing: float) -> tuple[Samples, float, float]:
    """neurokit2's breathing."""
    method = "breathmetrics" if rng.random() < 0.7 else "sinusoidal"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        wave = nk.rsp_simulate(
            duration=int(n / hz + 5), sampling_rate=100, respiratory_rate=rate, noise=0.0, method=method,
            random_state=int(rng.integers(1 << 30)),
        )  # fmt: skip
    wave = np.interp(np.arange(n) / hz, np.arange(len(wave)) / 100, wave)
    typical = np.quantile(wave, 0.97) - np.quantile(wave, 0.03)
    return wave * swing / max(float(typical), 1e-9), np.nan, np.nan


@cache
def _recorded(name: str, hz: float) -> Samples:
    at_ten = recording(name) + 20
    at_hz: Samples = at_ten if hz == 10 else resample_poly(at_ten, round(hz * 2), 20)
    return at_hz


def recorded(rng: Draw, n: int, hz: float, swing: float) -> tuple[Samples, float, float]:
    """A stretch of a real recording."""
    whole = _recorded(str(rng.choice(["peakdet", "systole"])), hz)
    at = int(rng.integers(0, len(whole) - n))
    part = whole[at : at + n] * swing / 4.0
    return part - part.mean(), np.nan, np.nan


def coloured(rng: Draw, n: int, hz: float, slope: float, size: float) -> Samples:
    """Noise with power 1/f^slope above 0.02 Hz, of standard deviation `size`."""
    m = n + int(20 * hz)
    spectrum = np.fft.rfft(rng.standard_normal(m))
    f = np.fft.rfftfreq(m, 1 / hz)
    out = np.fft.irfft(spectrum / np.maximum(f, 0.02) ** (slope / 2) * (f > 0), m)[:n]
    return out * size / max(float(out.std()), 1e-9)


def beats(rng: Draw, n: int, hz: float, bpm: float, size: float) -> Samples:
    """A pulse train: a quick rise and a notch a beat."""
    t = np.arange(n) / hz
    phase = (np.cumsum(bpm / 60 * np.exp(0.03 * _smooth_walk(rng, n, 3, hz))) / hz + rng.random()) % 1
    wave = np.exp(-0.5 * ((phase - 0.3) / 0.1) ** 2) + 0.4 * np.exp(-0.5 * ((phase - 0.6) / 0.08) ** 2)
    return size * wave + 0 * t


def coughing(rng: Draw, n: int, hz: float, share: float, size: float) -> Samples:
    """Bouts of three to eight pressure rises of 0.3 s that decay, with a deep breath before and a shift after."""
    t = np.arange(n) / hz
    out = np.zeros(n)
    left = share * n / hz
    while left > 1.5:
        thrusts = int(rng.integers(3, 9))
        start = rng.uniform(0, n / hz - 1)
        at = start
        for _ in range(thrusts):
            tau = rng.uniform(0.06, 0.16)
            u = np.clip((t - at) / tau, 0, None)
            out += size * rng.uniform(0.3, 1.0) * u * np.exp(1 - u)
            at += rng.uniform(0.35, 0.9)
        left -= max(at - start, 1.0) + 0.5
    return out


def shifting(rng: Draw, n: int, hz: float, share: float, size: float) -> Samples:
    """Stretches of shifts of level smoothed over a few tenths of a second, with rocking between."""
    t = np.arange(n) / hz
    gate = np.zeros(n)
    left = share * n / hz
    while left > 1:
        long = min(left, rng.uniform(3, 15))
        at = rng.uniform(0, n / hz - long)
        gate[(t >= at) & (t < at + long)] = 1
        left -= long
    jumps = rng.standard_normal(n) * (rng.random(n) < 1.2 / hz)
    level = lfilter([1], [1, -np.exp(-1 / (1.2 * hz))], jumps)
    rock = np.sin(
        2 * np.pi * np.cumsum(np.exp(rng.normal(0.2, 0.1) + 0.4 * _smooth_walk(rng, n, 2, hz))) / hz
    )
    rock *= 0.6 * np.abs(_smooth_walk(rng, n, 3, hz))
    move = lfilter([0.4], [1, -0.6], (level + rock) * size)
    return np.asarray(move * lfilter([0.3], [1, -0.7], gate))


def switching(rng: Draw, n: int, hz: float, period: float, size: float, jitter: float) -> Samples:
    """A pump that switches on at one pressure and off at another, through a tube that smooths."""
    fine = 10
    dt = 1 / (hz * fine)
    pull = rng.uniform(0.04, 0.2)
    out = np.empty(n * fine)
    level, on, rise = rng.random(), False, 1 / (period * (1 - pull))
    bend = rng.uniform(0, 1.5)
    speed = 1.0
    for k in range(n * fine):
        if on:
            level -= dt / (period * pull) * speed
            if level <= 0:
                on = False
                speed = max(0.3, 1 + jitter * rng.standard_normal())
        else:
            level += dt * rise * speed * (1 + bend * (0.5 - level))
            on = level >= 1
        out[k] = level
    tau = rng.uniform(0.03, 0.3)
    gain = 1 - np.exp(-dt / tau)
    return size * np.asarray(lfilter([gain], [1, gain - 1], out))[::fine]


@cache
def _limit_cycles() -> tuple[Samples, ...]:
    """One cycle each of van der Pol's oscillator, from a near sine to a relaxation with fast edges."""
    cycles = []
    for stiffness in np.exp(np.linspace(np.log(0.05), np.log(8.0), 16)):
        dt, x, v = 0.005, 2.0, 0.0
        run = np.empty(24000)
        for k in range(len(run)):
            v += dt * (stiffness * (1 - x * x) * v - x)
            x += dt * v
            run[k] = x
        up = np.flatnonzero((run[1:] >= 0) & (run[:-1] < 0))
        one = run[up[-2] : up[-1]]
        cycles.append((one - one.min()) / np.ptp(one))
    return tuple(cycles)


def regulated(rng: Draw, n: int, hz: float, period: float, size: float, jitter: float) -> Samples:
    """
    A loop that hunts: a limit cycle between near sine and relaxation, lengths and heights a little uneven.

    What a cycle misses in height it misses at both ends (in three loops of four), or at one of them.
    """
    cycles = _limit_cycles()
    wave = cycles[int(rng.integers(len(cycles)))]
    many = int(n / hz / period * 1.5) + 6
    lengths = period * np.exp(jitter * rng.standard_normal(many))
    heights = np.exp(jitter * rng.uniform(0.5, 1.5) * rng.standard_normal(many))
    edges = np.concatenate([[0.0], np.cumsum(lengths)]) - rng.random() * period
    t = np.arange(n) / hz
    which = np.clip(np.searchsorted(edges, t, side="right") - 1, 0, many - 1)
    phase = np.clip((t - edges[which]) / lengths[which], 0, 1)
    if rng.random() < 0.5:
        phase = 1 - phase
    steady = rng.choice([0.0, *[0.5] * 6, 1.0])
    out = heights[which] * (np.interp(phase, np.linspace(0, 1, len(wave)), wave) - steady)
    return size * rng.choice([-1.0, 1.0]) * np.asarray(out)


def strange(
    name: str, n: int, seed: int, breathing: bool, seconds: float = 60.0, rate_hz: float = 10.0
) -> Batch:
    """`n` traces of a class; the rate and swing of a trace are NaN where the source does not tell them."""
    rng = np.random.default_rng([77, seed, sum(map(ord, name)), int(breathing)])
    batch = Batch(name, rate_hz, breathing)
    m = round(seconds * rate_hz)
    for _ in range(n):
        x = np.full(m, rng.choice([-20.0, -15.0, -8.0, 0.0])) + rng.uniform(-0.4, 0.4)
        rate, swing = np.nan, 0.0
        hard = name == "hard"
        if breathing:
            rate = rng.uniform(8, 32) if not hard else float(rng.choice([8.0, 14.0, 24.0, 35.0]))
            swing = float(np.exp(rng.uniform(0, np.log(10)))) if not hard else rng.uniform(0.8, 1.2)
            if name == "simulated":
                wave, rate, swing = simulated(rng, m, rate_hz, rate, swing)
            elif name == "recorded":
                wave, rate, swing = recorded(rng, m, rate_hz, max(swing, 1.5))
            else:
                wave, rate, swing = oscillator(
                    rng, m, rate_hz, rate, swing, rng.uniform(0.1, 0.2) if hard else rng.uniform(0.01, 0.12)
                )
            x = x + wave * rng.choice([-1.0, 1.0])
        x = x + rng.uniform(0.01, 0.08) * rng.standard_normal(m)
        x = x + coloured(rng, m, rate_hz, rng.uniform(0, 1.5), rng.uniform(0.0, 0.06))
        x = x + np.linspace(-1, 1, m) * rng.uniform(-0.4, 0.4)
        x = x + beats(rng, m, rate_hz, rng.uniform(50, 120), rng.uniform(0, 0.15))
        if name == "cough":
            x = x + coughing(rng, m, rate_hz, rng.uniform(0.1, 0.4), rng.uniform(5, 40))
        if name == "motion":
            x = x + shifting(rng, m, rate_hz, rng.uniform(0.1, 0.4), rng.uniform(0.8, 5))
        if name == "heart" or hard:
            x = x + beats(rng, m, rate_hz, rng.uniform(50, 150), rng.uniform(0.2, 0.6))
        if name == "pump" or (hard and rng.random() < 0.5):
            size = rng.uniform(0.4, 2.0) if name == "pump" else rng.uniform(0.2, 1.0)
            x = x + switching(
                rng, m, rate_hz, float(np.exp(rng.uniform(np.log(2), np.log(18)))), size, rng.uniform(0, 0.03)
            )
        if name == "hunting":
            uneven = rng.uniform(0.001, 0.01) if rng.random() < 0.5 else rng.uniform(0.01, 0.05)
            period = float(np.exp(rng.uniform(np.log(2), np.log(18))))
            x = x + regulated(rng, m, rate_hz, period, float(np.exp(rng.uniform(-0.7, 1.2))), uneven)
        if name == "pink":
            x = x + coloured(rng, m, rate_hz, rng.uniform(0.5, 2), rng.uniform(0.2, 1.5))
        step = float(rng.choice([0.1, 0.1, 0.05]))
        batch.traces.append(np.round(x / step) * step)
        batch.rates.append(rate)
        batch.swings.append(swing)
    return batch
