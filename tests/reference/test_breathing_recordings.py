"""
Real human breathing through `assess`, beside neurokit2.

Recordings: `RESP.csv` of the peakdet package (tests/data; no rate is given there: at 40 Hz its 24 000
samples are ten minutes at 14 breaths a minute, at any of the package's other rates they would be no
human breathing) and `Task1_Respiration.npy` of the systole package's source archive (1 kHz, 25 min, a chest
belt during a task: sighs, shifts, talking). Both are scaled to a swing of 4 cm[H2O], resampled to
10 Hz and rounded to 0.1, as a drain would log them.
"""

import warnings
from functools import cache
from pathlib import Path

import neurokit2 as nk
import numpy as np
import peakdet
import polars as pl
import pytest
from scipy.signal import resample_poly

from pipeline.signal import assess

TASK = Path(__file__).parents[2] / ".cache" / "recordings" / "Task1_Respiration.npy"
SWING = 4.0


def recording(name: str) -> np.ndarray:
    """Breathing at 10 Hz, cm[H2O]."""
    if name == "peakdet":
        at_40_hz = np.loadtxt(Path(peakdet.__file__).parent / "tests" / "data" / "RESP.csv")
        slow = resample_poly(at_40_hz - at_40_hz.mean(), 1, 4)
    else:
        if not TASK.exists():
            pytest.fail(
                f"{TASK} is missing: take src/systole/datasets/Task1_Respiration.npy out of the source archive of "
                "systole 0.3.1 (tests/reference/recordings.txt) and put it there; `make test` does so by itself."
            )
        slow = resample_poly(np.load(TASK), 1, 100)
    five_seconds = slow[: len(slow) // 50 * 50].reshape(-1, 50)
    return slow * SWING / np.median(np.ptp(five_seconds, axis=1)) - 20


@cache
def windows(name: str, seconds: int) -> tuple[np.ndarray, pl.DataFrame, np.ndarray, np.ndarray]:
    """Windows every 15 s: samples, our findings, neurokit2's rate, and whether it finds the window clean."""
    trace = recording(name)
    starts = range(0, len(trace) - seconds * 10 + 1, 150)
    matrix = np.round(np.vstack([trace[s : s + seconds * 10] for s in starts]), 1)
    rates, clean = np.full(len(matrix), np.nan), np.zeros(len(matrix), dtype=bool)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for k, row in enumerate(matrix):
            peaks = nk.rsp_peaks(nk.rsp_clean(row, sampling_rate=10), sampling_rate=10)[1]["RSP_Peaks"]
            intervals = np.diff(peaks) / 10
            if len(intervals) >= 3:
                rates[k] = 60 / intervals.mean()
                # Clean by the reference's own lights: its breaths are regular.
                clean[k] = intervals.std() / intervals.mean() < 0.15
    return matrix, assess(matrix, 10.0), rates, clean


@pytest.mark.parametrize("name", ["peakdet", "systole"])
def test_breath_rates_of_clean_minutes_agree_with_neurokit2(name: str) -> None:
    _, found, reference, clean = windows(name, 60)
    ours = found["breath_rate_per_min"].to_numpy()
    assert clean.sum() >= 15
    agree = np.abs(ours[clean] - reference[clean]) <= 1
    assert agree.mean() >= 0.95, f"{(~agree).sum()} of {clean.sum()} clean minutes are off or without a rate"


@pytest.mark.parametrize("seconds", [30, 60])
@pytest.mark.parametrize("name", ["peakdet", "systole"])
def test_nobody_who_breathes_is_called_absent(name: str, seconds: int) -> None:
    _, found, _, _ = windows(name, seconds)
    assert not found["verdict"].eq("absent").any()


@pytest.mark.parametrize("name", ["peakdet", "systole"])
def test_half_minutes_called_present_agree_on_the_whole(name: str) -> None:
    _, found, reference, clean = windows(name, 30)
    ours = found["breath_rate_per_min"].to_numpy()
    both = clean & ~np.isnan(ours)
    assert both.sum() >= 15
    assert np.mean(np.abs(ours[both] - reference[both]) <= 2) >= 0.9


def test_breathing_scaled_down_to_a_blocked_tubes_remainder_is_not_present() -> None:
    matrix, _, _, _ = windows("peakdet", 60)
    rest = np.round((matrix + 20) * 0.04, 1) - 20  # 0.16 of a cm[H2O] where 4 were
    noise = 0.05 * np.random.default_rng(1).standard_normal(rest.shape)
    assert not assess(rest + noise, 10.0)["verdict"].eq("present").any()


def test_a_real_trace_upside_down_is_still_breathing() -> None:
    matrix, found, _, clean = windows("peakdet", 60)
    turned = assess(-40 - matrix, 10.0)
    assert (turned["verdict"] == found["verdict"]).to_numpy()[clean].mean() >= 0.95
