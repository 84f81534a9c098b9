"""
Recordings of people breathing that registry packages carry, as a drain would log them.

`RESP.csv` of the peakdet package (tests/data; no rate is given there: at 40 Hz its 24 000 samples are ten
minutes at 14 breaths a minute, at any of the package's other rates they would be no human breathing) and
`Task1_Respiration.npy` of the systole package's source archive (1 kHz, 25 min, a chest belt during a task:
sighs, shifts, talking). Both are scaled to a swing of 4 cm[H2O] and resampled to 10 Hz.

Neither comes with marks of its breaths. `marked` makes them from the whole, undamaged recording, as a reader
with a ruler would: every top of the curve below 1 Hz that stands out by at least a sixth of the swing around
it. A top below 0.4 or above 4 times that swing, or after a wait of 2.5 times the usual one, leaves doubt;
stretches without one hold the breaths that are beyond doubt. No detector takes part in that choice.
"""

from __future__ import annotations

import warnings
from functools import cache
from pathlib import Path
from typing import NamedTuple

import neurokit2 as nk
import numpy as np
import peakdet
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, find_peaks, resample_poly, sosfiltfilt

TASK = Path(__file__).parents[2] / ".cache" / "recordings" / "Task1_Respiration.npy"
RATE_HZ = 10
SWING_CMH2O = 4.0
FULL_HZ = 40.0  # at which breaths are marked
LEAST, DOUBTFUL = 1 / 6, 0.4  # of the swing around: below the first no breath, below the second perhaps one
TOO_LARGE = 4.0  # times the swing around: a sigh or a shift of the belt
TOO_LONG = 2.5  # times the usual interval: a pause, or a breath not seen


class Marked(NamedTuple):
    """A recording with its breaths."""

    curve: NDArray[np.float64]  # own unit, at 40 Hz, rising with inspiration
    hz: float
    tops: NDArray[np.int64]  # samples at which a breath is deepest
    depths: NDArray[np.float64]  # own unit, how far each stands out
    sure: NDArray[np.bool_]  # no reader would leave it out


def marked(curve: NDArray[np.float64], hz: float = FULL_HZ) -> Marked:
    """Mark the breaths of a whole recording that rises with inspiration."""
    smooth = sosfiltfilt(butter(4, 1.0, fs=hz, output="sos"), curve)
    tops, found = find_peaks(smooth, prominence=0)
    size = found["prominences"] / _swing_around(smooth, tops, hz)
    breath = size >= LEAST
    tops, size, out = tops[breath], size[breath], found["prominences"][breath]
    wait = np.diff(tops, prepend=tops[0] - 1) / hz
    usual = np.array([np.median(wait[max(k - 8, 0) : k + 9]) for k in range(len(wait))])
    return Marked(curve, hz, tops, out, (size >= DOUBTFUL) & (size <= TOO_LARGE) & (wait <= TOO_LONG * usual))


def _swing_around(smooth: NDArray[np.float64], tops: NDArray[np.int64], hz: float) -> NDArray[np.float64]:
    """How far the curve swings within 5 s, the median over the 20 s on either side of each top."""
    five = int(5 * hz)
    starts = np.arange(0, len(smooth) - five, int(hz))
    swings = np.array([np.ptp(smooth[s : s + five]) for s in starts])
    middle = starts + five // 2
    return np.array([np.median(swings[np.abs(middle - top) <= 20 * hz]) for top in tops])


@cache
def marked_recording(name: str) -> Marked:
    """The breaths of `peakdet` or `systole`, marked on the whole recording at 40 Hz."""
    curve = _at_40_hz(name)
    return marked(curve - curve.mean())


def _at_40_hz(name: str) -> NDArray[np.float64]:
    if name == "peakdet":
        return np.loadtxt(Path(peakdet.__file__).parent / "tests" / "data" / "RESP.csv")
    return resample_poly(_task(), 1, 25)


def _task() -> NDArray[np.float64]:
    if not TASK.exists():
        pytest.fail(
            f"{TASK} is missing: take src/systole/datasets/Task1_Respiration.npy out of the source archive of "
            "systole 0.3.1 (tests/reference/recordings.txt) and put it there; `make test` does so by itself."
        )
    return np.load(TASK)


def recording(name: str) -> NDArray[np.float64]:
    """Breathing around −20 cm[H2O] at 10 Hz, of `peakdet` or `systole`."""
    if name == "peakdet":
        at_40_hz = _at_40_hz(name)
        slow = resample_poly(at_40_hz - at_40_hz.mean(), 1, 4)
    else:
        slow = resample_poly(_task(), 1, 100)
    five_seconds = slow[: len(slow) // 50 * 50].reshape(-1, 50)
    return slow * SWING_CMH2O / np.median(np.ptp(five_seconds, axis=1)) - 20


def windows(name: str, seconds: int, every_seconds: int) -> NDArray[np.float64]:
    """Stretches of a recording, a row each, rounded to 0.1 as a drain logs them."""
    trace = recording(name)
    starts = range(0, len(trace) - seconds * RATE_HZ + 1, every_seconds * RATE_HZ)
    return np.round(np.vstack([trace[s : s + seconds * RATE_HZ] for s in starts]), 1)


def reference_rates(
    name: str, seconds: int, every_seconds: int
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """
    Of the same windows: breaths a minute between the first and the last mark (NaN: under three), and whether
    every breath in it is beyond doubt.
    """
    found = marked_recording(name)
    at = found.tops / found.hz
    last = len(recording(name)) / RATE_HZ - seconds
    rates, sure = [], []
    for start in np.arange(0, last + 1e-9, every_seconds):
        inside = (at >= start) & (at < start + seconds)
        breaths = at[inside]
        rates.append(60 * (len(breaths) - 1) / np.ptp(breaths) if len(breaths) >= 3 else np.nan)
        sure.append(len(breaths) >= 3 and bool(found.sure[inside].all()))
    return np.array(rates), np.array(sure)


def neurokit_rates(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """neurokit2's breath rate a row, from the mean interval of its peaks; NaN: fewer than four peaks."""
    rates = np.full(len(matrix), np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for k, row in enumerate(matrix):
            cleaned = nk.rsp_clean(row, sampling_rate=RATE_HZ)
            peaks = nk.rsp_peaks(cleaned, sampling_rate=RATE_HZ)[1]["RSP_Peaks"]
            if len(peaks) >= 4:
                rates[k] = 60 * RATE_HZ / np.diff(peaks).mean()
    return rates
