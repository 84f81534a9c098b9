"""Real human breathing through `assess`, beside neurokit2 (`tests/support/recordings.py` says whose)."""

from functools import cache

import numpy as np
import polars as pl
import pytest

from pipeline.signal import assess
from tests.support.recordings import RATE_HZ, neurokit_rates
from tests.support.recordings import windows as cut


@cache
def windows(name: str, seconds: int) -> tuple[np.ndarray, pl.DataFrame, np.ndarray, np.ndarray]:
    """Windows every 15 s: samples, our findings, neurokit2's rate, and whether it finds the window clean."""
    matrix = cut(name, seconds, every_seconds=15)
    return matrix, assess(matrix, float(RATE_HZ)), *neurokit_rates(matrix)


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
