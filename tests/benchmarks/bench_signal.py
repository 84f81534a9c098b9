"""The detector of breathing beside the reference detector and beside one batched Fourier transform."""

from __future__ import annotations

import time
from collections.abc import Iterator

import neurokit2 as nk
import numpy as np

from pipeline.signal import assess
from tests.benchmarks.rows import Row, interleaved
from tests.signal.pressure_traces import make

TRACES = 2048
PEER_TRACES = 100


def rows() -> Iterator[Row]:
    """Traces a second of `assess` over those of neurokit2's detector, and its time over one rfft's."""
    matrix = make("clean", TRACES, 3, True).matrix()

    def reference() -> None:
        for trace in matrix[:PEER_TRACES]:
            nk.rsp_peaks(nk.rsp_clean(trace, sampling_rate=10), sampling_rate=10)

    assess(matrix[:256], 10.0)
    seconds = interleaved(
        {
            "assess": lambda: assess(matrix, 10.0),
            "neurokit2": reference,
            "rfft": lambda: np.fft.rfft(matrix, axis=1),
        },
        rounds=7,
        clock=time.process_time,
    )
    ours, peer, fft = (
        seconds["assess"] / TRACES,
        seconds["neurokit2"] / PEER_TRACES,
        seconds["rfft"] / TRACES,
    )
    detail = f"{TRACES} traces of 60 s at 10 Hz, one core: {1e6 * ours:.1f}, {1e6 * peer:.0f}, {1e6 * fft:.2f} us a trace"
    yield Row(
        "assess: traces a second", peer / ours, "x", "neurokit2 rsp_clean + rsp_peaks", 40, None, 100, detail
    )
    yield Row(
        "assess: time", ours / fft, "x", "one batched numpy rfft of the same matrix", None, 40, 15, detail
    )
