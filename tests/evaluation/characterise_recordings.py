"""
Breath rates of real recordings, ours and neurokit2's, against marks that neither made.

The marks are those of `tests/support/recordings.py`: tops of the whole, undamaged recording, told by their size
against the swing around them. Both detectors are given the same degraded windows: 10 Hz, a swing of a drain, noise
of a sensor, rounded to 0.1, cut to 60 or 30 s. neurokit2 runs as shipped (`rsp_clean`, `rsp_peaks`); its rate
is that of the mean interval between its peaks. Errors are compared on windows in which both give a rate.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.signal import assess
from tests.support.recordings import RATE_HZ, neurokit_rates, recording, reference_rates

EVERY = 15  # s from one window to the next
DAMAGE = {"swing 4, noise 0.03": (4.0, 0.03), "swing 1.5, noise 0.1": (1.5, 0.1)}  # cm[H2O]


def degraded(name: str, seconds: int, swing: float, noise: float) -> NDArray[np.float64]:
    """Windows of a recording as a drain would log them, a row each."""
    trace = (recording(name) + 20) / 4 * swing - 20
    trace = trace + noise * np.random.default_rng(5).standard_normal(len(trace))
    starts = range(0, len(trace) - seconds * RATE_HZ + 1, EVERY * RATE_HZ)
    return np.round(np.vstack([trace[s : s + seconds * RATE_HZ] for s in starts]), 1)


def compared(name: str, seconds: int, damage: str) -> pl.DataFrame:
    """One row a window: the reference rate, whether it is beyond doubt, both detectors' rates, our verdict."""
    matrix = degraded(name, seconds, *DAMAGE[damage])
    rates, sure = reference_rates(name, seconds, EVERY)
    found = assess(matrix, float(RATE_HZ))
    theirs = neurokit_rates(matrix)
    return pl.DataFrame(
        {
            "reference": rates,
            "sure": sure,
            "verdict": found["verdict"],
            "ours": found["breath_rate_per_min"],
            "neurokit2": theirs,
        },
        nan_to_null=True,
    )


def beside_neurokit2() -> pl.DataFrame:
    """Mean absolute errors side by side, by recording, length, damage and choice of windows."""
    rows = []
    for name in ("peakdet", "systole"):
        for seconds in (60, 30):
            for damage in DAMAGE:
                frame = compared(name, seconds, damage).filter(pl.col("reference").is_not_null())
                for windows, part in (("beyond doubt", frame.filter(pl.col("sure"))), ("all", frame)):
                    rows.append(_row(name, seconds, damage, windows, part))
    return pl.DataFrame(rows)


def _row(name: str, seconds: int, damage: str, windows: str, frame: pl.DataFrame) -> dict[str, object]:
    both = frame.drop_nulls(["ours", "neurokit2"])
    ours, theirs = (both[who] - both["reference"] for who in ("ours", "neurokit2"))
    every = (frame["neurokit2"] - frame["reference"]).drop_nulls()
    return {
        "recording": name,
        "length_s": seconds,
        "damage": damage,
        "windows": windows,
        "n": frame.height,
        "present": (frame["verdict"] == "present").sum(),
        "absent": (frame["verdict"] == "absent").sum(),
        "both_rated": both.height,
        "ours_error_per_min": round(float(ours.abs().mean()), 3),
        "neurokit2_error_per_min": round(float(theirs.abs().mean()), 3),
        "neurokit2_error_all_per_min": round(float(every.abs().mean()), 3),
        "ours_off_by_2": int((ours.abs() > 2).sum()),
        "neurokit2_off_by_2": int((theirs.abs() > 2).sum()),
    }
