"""
Print how `assess` does on invented traces, class by class, and what it costs beside its peers.

Run: python tests/signal/figures.py [traces a class] [--speed]. Seeded; the figures repeat.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))

from pipeline.signal import assess
from tests.signal.pressure_traces import Batch, make

CLASSES = [
    "pure", "clean", "small", "slow", "fast", "irregular", "inverted", "heart", "cough", "motion",
    "pump", "hard", "step", "dropouts", "stuck", "saturated", "restless",
]  # fmt: skip
NULLS = ["pump_irregular", "ar1", "big_drift"]


def line(batch: Batch) -> str:
    """One class in one line."""
    found = assess(batch.matrix(), batch.rate_hz)
    n = len(found)
    share = {
        v: found["verdict"].eq(v).sum() / n for v in ("present", "absent", "indeterminate", "not_assessable")
    }
    text = f"{batch.name:15}{'breathing' if batch.breathing else 'blocked':10}{n:6}"
    text += "".join(f"{100 * share[v]:9.2f}" for v in share)
    if batch.breathing:
        rate, swing, low, high = (
            found[c].to_numpy()
            for c in ("breath_rate_per_min", "swing_cmh2o", "swing_low_cmh2o", "swing_high_cmh2o")
        )
        high = np.where(
            np.isnan(high), np.inf, high
        )  # cut off by the sensor's range: no upper bound is claimed
        truth_rate, truth_swing = np.array(batch.rates), np.array(batch.swings)
        on = found["verdict"].eq("present").to_numpy()
        if on.any():
            off = np.abs(rate - truth_rate)[on]
            bias = np.median((swing / truth_swing - 1)[on])
            inside = np.mean(((low <= truth_swing) & (truth_swing <= high))[on])
            text += f"{off.mean():8.2f}{100 * np.mean(off > 2):8.2f}{100 * bias:8.1f}{100 * inside:8.1f}"
    kinds = found["artefact_kind"].value_counts().sort("count", descending=True).rows()
    return text + "  " + " ".join(f"{k}:{100 * c // n}" for k, c in kinds[:3])


def table(traces: int, seconds: float, rate_hz: float, classes: list[str], nulls: list[str]) -> None:
    """All classes at one length and rate."""
    print(f"\n{seconds:g} s at {rate_hz:g} Hz: % present, absent, indeterminate, not assessable;")
    print(
        "rate: mean absolute error /min, % over 2/min; swing: median bias %, % of true swings within the bounds"
    )
    for name in classes:
        print(line(make(name, traces, 1, True, seconds, rate_hz)), flush=True)
    for name in classes + nulls:
        print(line(make(name, traces, 2, False, seconds, rate_hz)), flush=True)


def speed(traces: int = 2048) -> None:
    """Traces a second, beside neurokit2 trace by trace and one batched real FFT, on one core."""
    import neurokit2 as nk

    matrix = make("clean", traces, 3, True).matrix()
    assess(matrix[:256], 10.0)
    ours, fft, peer = [], [], []
    for _ in range(5):
        t = time.process_time()
        assess(matrix, 10.0)
        ours.append((time.process_time() - t) / traces)
        t = time.process_time()
        np.fft.rfft(matrix, axis=1)
        fft.append((time.process_time() - t) / traces)
        t = time.process_time()
        for row in matrix[:100]:
            nk.rsp_peaks(nk.rsp_clean(row, sampling_rate=10), sampling_rate=10)
        peer.append((time.process_time() - t) / 100)
    a, f, p = (float(np.median(x)) for x in (ours, fft, peer))
    print(
        f"\nassess {1e6 * a:.1f} us/trace; neurokit2 {1e6 * p:.0f} us ({p / a:.1f} x); rfft {1e6 * f:.2f} us ({a / f:.1f} x)"
    )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 and sys.argv[1].isdigit() else 500
    table(count, 60.0, 10.0, CLASSES, NULLS)
    if "--sweep" in sys.argv:
        for seconds, rate_hz in (
            (20.0, 10.0),
            (30.0, 10.0),
            (60.0, 4.0),
            (60.0, 8.0),
            (60.0, 25.0),
            (60.0, 50.0),
        ):
            table(count // 2, seconds, rate_hz, ["clean", "slow", "fast", "cough", "hard"], ["ar1", "pump"])
    if "--speed" in sys.argv:
        speed()
