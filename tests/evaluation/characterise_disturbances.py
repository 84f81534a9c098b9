"""
What else moves the pressure at a drain, for the characterisation.

Written from the literature named here and without sight of the detector or of its own tests' traces.

| what | drawn from | source |
|---|---|---|
| a cough | 0.2–0.6 s, 10–60 cm[H2O] at the device through an open tube (3–20 where it is narrowed), after a gasp | oesophageal pressure 128 ± 28 cm[H2O] in spontaneous cough, compression 0.28–0.50 s: Lee et al., Chest 2015;148:1259; what a tube passes on is our judgement |
| a bout | coughs 0.5–1.5 s apart, 1.5–10 s in all; nobody breathes quietly meanwhile | coughs more than 3 s apart are no bout: Holt et al., ERJ Open Res 2024;10:00316 |
| walking | 60–138 steps a minute with the stride at half of it | 81–138: Tudor-Locke & Rowe, Sports Med 2012;42:381; slower just after operations: our judgement |
| turning, knocks, talking | bursts of noise between 0.2 and 5 Hz, 1–6 cm[H2O]; shifts of 1–10 cm[H2O] as a fluid column moves | our judgement |
| the heart | 50–150/min, first three harmonics, beats varying 2–6 %; tenths of a cm[H2O] | pulse seen in pleural pressure: Grabczak et al., J Clin Med 2020;9:2396; harmonics: Qin et al., J Clin Monit Comput 2024;38:701; size: our judgement |
| the pump | limit cycles of 2–20 s: saw-tooth, relaxation, triangle, near sine; intervals varying by 0.2–1 % or 2–8 % | on–off control always cycles (any text on control); sizes and jitter: our judgement |
| sensor noise | white, AR(1) with 0.2–4 s memory, 1/f | noise of bridge sensors has both white and 1/f parts, from memory; sizes: our judgement |
| drift, steps, sticking, range, dropouts, rounding | as the recipe says | our judgement; rounding to 0.1 and codes for no value and out of range as drains log them |
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

NOISES = ("white", "ar1", "pink")
PUMPS = ("saw", "relaxation", "triangle", "sine")
MOTIONS = ("burst", "walk", "shift")


def places(
    rng: np.random.Generator, seconds: float, share: float, shortest: float, longest: float
) -> list[tuple[float, float]]:
    """Episodes that fill a share of the trace together, never overlapping: (begin, end) in s."""
    left, lengths = share * seconds, []
    while left > 0.2:
        lengths.append(min(left, rng.uniform(shortest, longest)))
        left -= lengths[-1]
    free = rng.dirichlet(np.ones(len(lengths) + 1)) * (seconds - sum(lengths))
    begins = np.cumsum(free[:-1]) + np.concatenate([[0.0], np.cumsum(lengths)[:-1]]) if lengths else []
    return [(float(b), float(b) + length) for b, length in zip(begins, lengths, strict=True)]


def within(times: Floats, episodes: list[tuple[float, float]]) -> NDArray[np.bool_]:
    """Which samples lie in an episode."""
    inside = np.zeros(len(times), dtype=bool)
    for begin, end in episodes:
        inside |= (times >= begin) & (times < end)
    return inside


def cough(
    rng: np.random.Generator, times: Floats, bouts: list[tuple[float, float]], height: tuple[float, float]
) -> Floats:
    """Bouts of coughs: a gasp, then sharp rises one after another."""
    pressure = np.zeros(len(times))
    for begin, end in bouts:
        gasp = np.clip((times - begin) / 0.6, 0, 1)
        pressure -= rng.uniform(0.05, 0.2) * height[0] * np.sin(np.pi * gasp)
        at = begin + rng.uniform(0.3, 0.6)
        while at < end - 0.2:
            wide, high = rng.uniform(0.2, 0.6), np.exp(rng.uniform(*np.log(height)))
            phase = np.clip((times - at) / wide, 0, 1)
            peak = 0.3
            pressure += high * np.sin(
                np.pi / 2 * np.where(phase < peak, phase / peak, 1 + (phase - peak) / (1 - peak))
            )
            at += wide + rng.uniform(0.3, 0.9)
    return pressure


def motion(
    rng: np.random.Generator,
    times: Floats,
    episodes: list[tuple[float, float]],
    kinds: tuple[str, ...] = MOTIONS,
) -> Floats:
    """Bursts, walking and shifts, an episode each."""
    pressure = np.zeros(len(times))
    for begin, end in episodes:
        kind = kinds[int(rng.integers(len(kinds)))]
        edge = np.clip(np.minimum(times - begin, end - times) / 0.3, 0, 1)
        if kind == "burst":
            pressure += edge * np.exp(rng.uniform(0, np.log(6))) * _band_noise(rng, times)
        elif kind == "walk":
            pressure += edge * _walk(rng, times)
        else:
            offset = rng.choice([-1, 1]) * np.exp(rng.uniform(0, np.log(10)))
            ramp = np.clip((times - begin) / rng.uniform(0.5, 3), 0, 1)
            back = np.clip((times - end) / rng.uniform(0.5, 3), 0, 1) if rng.random() < 0.5 else 0.0
            pressure += offset * (ramp - back) + edge * 0.5 * _band_noise(rng, times)
    return pressure


def _walk(rng: np.random.Generator, times: Floats) -> Floats:
    steps, high = rng.uniform(60, 138) / 60, np.exp(rng.uniform(np.log(0.5), np.log(4)))
    wander = np.cumsum(rng.standard_normal(len(times))) * 0.25 * np.sqrt(np.gradient(times))
    turn = 2 * np.pi * steps * times + wander
    stride = rng.uniform(0.2, 0.6) * np.sin(turn / 2 + rng.uniform(0, 6.3))
    return high / 2 * (np.sin(turn) + stride + 0.3 * rng.standard_normal(len(times)))


def _band_noise(rng: np.random.Generator, times: Floats, low: float = 0.2, high: float = 5.0) -> Floats:
    """Noise of unit size between two frequencies, made at 50 Hz and picked as a device would: unfiltered."""
    many = int(times[-1] * 50) + 2
    bins = np.fft.rfftfreq(many, 0.02)
    spectrum = rng.standard_normal(len(bins)) + 1j * rng.standard_normal(len(bins))
    spectrum *= ((bins >= low) & (bins <= high)) / np.sqrt(np.maximum(bins, low))
    made = np.fft.irfft(spectrum, many)
    return (made / made.std())[np.round(times * 50).astype(int)]


def heart(rng: np.random.Generator, times: Floats, size: float, rate: float) -> Floats:
    """The heart's pulse, `size` cm[H2O] peak to trough."""
    phase = _phase(rng, times, 60 / rate, rng.uniform(0.02, 0.06))[0]
    waves = [
        part * np.cos(2 * np.pi * (k + 1) * phase + rng.uniform(0, 6.3))
        for k, part in enumerate((1, 0.5, 0.25))
    ]
    pulse = np.sum(waves, axis=0)
    return size * pulse / max(float(np.ptp(pulse)), 1e-9)


def pump(
    rng: np.random.Generator, times: Floats, shape: str, size: float, period: float, jitter: float
) -> Floats:
    """The pump's regulation cycle, `size` cm[H2O] peak to trough."""
    phase, cycle = _phase(rng, times, period, jitter)
    heights = 1 + jitter * rng.standard_normal(int(cycle.max()) + 1)
    if shape == "saw":
        reset = rng.uniform(0.02, 0.15)
        wave = np.where(phase < 1 - reset, phase / (1 - reset), (1 - phase) / reset) - 0.5
    elif shape == "triangle":
        top = rng.uniform(0.25, 0.75)
        wave = np.where(phase < top, phase / top, (1 - phase) / (1 - top)) - 0.5
    elif shape == "relaxation":
        top, tau = rng.uniform(0.2, 0.8), rng.uniform(0.15, 0.6)
        full = 1 - np.exp(-top / tau)
        fall = np.exp(-(phase - top) / tau)
        last = np.exp(-(1 - top) / tau)
        wave = np.where(phase < top, (1 - np.exp(-phase / tau)) / full, (fall - last) / (1 - last)) - 0.5
    else:
        second = rng.uniform(0, 0.2) * np.cos(4 * np.pi * phase + rng.uniform(0, 6.3))
        wave = (np.sin(2 * np.pi * phase) + second) / 2
    return rng.choice([-1, 1]) * size * heights[cycle] * wave


def _phase(
    rng: np.random.Generator, times: Floats, period: float, cv: float
) -> tuple[Floats, NDArray[np.int64]]:
    many = int(times[-1] / period * 1.5) + 6
    lengths = period * np.exp(cv * rng.standard_normal(many))
    edges = np.concatenate([[0.0], np.cumsum(lengths)]) - rng.uniform(0, 1) * lengths[0]
    cycle = np.clip(np.searchsorted(edges, times, side="right") - 1, 0, many - 1)
    return np.clip((times - edges[cycle]) / lengths[cycle], 0, 1), cycle


def noise(rng: np.random.Generator, times: Floats, kind: str, size: float) -> Floats:
    """Noise of standard deviation `size`: `white`, `ar1` (0.2–4 s memory) or `pink` (1/f)."""
    many, gap = len(times), float(times[1] - times[0])
    made = rng.standard_normal(many)
    if kind == "ar1":
        keep = np.exp(-gap / np.exp(rng.uniform(np.log(0.2), np.log(4))))
        made *= np.sqrt(1 - keep**2)
        made[0] /= np.sqrt(1 - keep**2)
        for k in range(1, many):
            made[k] += keep * made[k - 1]
    elif kind == "pink":
        spectrum = np.fft.rfft(made)
        spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
        spectrum[0] = 0
        made = np.fft.irfft(spectrum, many)
        made /= made.std()
    return size * made


def drift(rng: np.random.Generator, times: Floats, size: float) -> Floats:
    """A slow slope and a slower wave, up to `size` cm[H2O] over a minute."""
    wave = np.sin(2 * np.pi * times / rng.uniform(60, 240) + rng.uniform(0, 6.3))
    return size * (rng.uniform(-0.7, 0.7) * times / 60 + 0.3 * wave)


def steps(rng: np.random.Generator, times: Floats, how_many: int) -> Floats:
    """Changes of the set pressure or of a fluid column: 1–10 cm[H2O] within 0.2–2 s."""
    pressure = np.zeros(len(times))
    for _ in range(how_many):
        high = rng.choice([-1, 1]) * np.exp(rng.uniform(0, np.log(10)))
        pressure += high * np.clip((times - rng.uniform(0, times[-1])) / rng.uniform(0.2, 2), 0, 1)
    return pressure
