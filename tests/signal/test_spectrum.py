"""The search for rates and the filters, against closed forms and SciPy's Lomb-Scargle periodogram."""

import numpy as np
import pytest
from scipy.signal import lombscargle

from pipeline.definitions import load_definitions
from pipeline.signal.rows import bridge
from pipeline.signal.spectrum import Bands, candidates, filtered, spectrum_of, summed

RULES = load_definitions().trace
HZ = 5.0
T = np.arange(300) / HZ
BANDS = Bands(300, HZ, 0.0, RULES)


def wave(per_min: float, phase: float = 0.3) -> np.ndarray:
    return np.sin(2 * np.pi * per_min / 60 * T + phase)


def first_rate(trace: np.ndarray, usable: np.ndarray) -> float:
    matrix = bridge(np.where(usable, trace, 0.0)[None, :], ~usable[None, :])
    first, _ = candidates(summed(spectrum_of(matrix, usable[None, :])), BANDS)
    return float(BANDS.rates[first[0]])


@pytest.mark.parametrize("per_min", [6.0, 9.0, 15.0, 24.0, 40.0])
def test_the_strongest_rate_is_lomb_scargles_also_with_gaps(per_min: float) -> None:
    usable = np.ones(300, dtype=bool)
    usable[60:85] = usable[190:210] = False
    trace = wave(per_min) + 0.3 * wave(2 * per_min, 1.0) + 0.1 * np.random.default_rng(1).standard_normal(300)
    grid = np.linspace(5, 48, 2000)
    power = lombscargle(T[usable], trace[usable] - trace[usable].mean(), 2 * np.pi * grid / 60)
    peak = grid[np.argmax(power)]
    assert peak == pytest.approx(per_min, rel=0.05)
    # Energy is summed over ±18 % of a trial rate, so any rate whose band holds the line is as strong; the
    # filter around it is flat from -35 % to +50 %, and the rate reported comes from the breaths.
    assert first_rate(trace, usable) == pytest.approx(peak, rel=0.2)


def test_nothing_is_lost_or_added_by_the_transform() -> None:
    noise = np.random.default_rng(2).standard_normal((3, 300))
    noise -= np.polynomial.polynomial.polyval(T, np.polynomial.polynomial.polyfit(T, noise.T, 1))
    spectrum = spectrum_of(noise, np.ones(noise.shape, dtype=bool))
    assert (spectrum**2).sum(axis=1) == pytest.approx((noise**2).sum(axis=1), rel=1e-9)
    assert filtered(spectrum, np.ones(300)) == pytest.approx(noise, abs=1e-9)


@pytest.mark.parametrize("per_min", [8.0, 16.0, 30.0, 45.0])
def test_a_breath_passes_its_own_filter_unchanged_and_a_pulse_does_not(per_min: float) -> None:
    own = int(np.argmin(np.abs(BANDS.rates - per_min)))
    ones = np.ones((1, 300), dtype=bool)
    middle = slice(60, 240)  # a sine cut off anywhere has no clean mirror image at its ends
    for gain in (BANDS.narrow[own], BANDS.wide[own] * BANDS.between, BANDS.breathing):
        passed = filtered(spectrum_of(wave(per_min)[None, :], ones), gain)[0]
        assert passed[middle] == pytest.approx(wave(per_min)[middle], abs=0.06)
    assert np.abs(filtered(spectrum_of(wave(75.0)[None, :], ones), BANDS.breathing)[0, middle]).max() < 0.06


def test_what_averaging_took_away_is_made_good() -> None:
    fine = np.sin(2 * np.pi * 40 / 60 * np.arange(3000) / 50)
    means = fine.reshape(-1, 10).mean(axis=1)[None, :]
    bands = Bands(300, HZ, 0.2, RULES)
    passed = filtered(spectrum_of(means, np.ones(means.shape, dtype=bool)), bands.breathing)[0]
    assert np.ptp(means) < 1.95
    assert passed[60:240].std() * np.sqrt(2) == pytest.approx(1.0, abs=0.01)
