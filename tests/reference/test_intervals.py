"""Intervals of a proportion against published values and the reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from pipeline.cohort.intervals import exact, wilson

# Newcombe RG. Two-sided confidence intervals for the single proportion. Stat Med 1998;17:857-872, method 3
# (score, without continuity correction); four decimals as printed there.
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("events", "number", "low", "high"), NEWCOMBE)
def test_wilson_gives_newcombes_published_bounds(events: int, number: int, low: float, high: float) -> None:
    got_low, got_high = wilson(events, number, 0.95)
    assert round(float(got_low), 4) == low
    assert round(float(got_high), 4) == high


def test_the_published_prolonged_leak_rate_lies_in_its_interval() -> None:
    # 200 of 2317 = 8.6 %: Attaar et al., J Thorac Cardiovasc Surg 2017;153:690.
    low, high = wilson(200, 2317, 0.95)
    assert round(100 * 200 / 2317, 1) == 8.6
    reference = binomtest(200, 2317).proportion_ci(0.95, "wilson")
    np.testing.assert_allclose([low, high], reference, rtol=1e-12)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.998])
def test_both_agree_with_scipy_and_statsmodels_for_every_count(level: float) -> None:
    number = np.repeat([1, 2, 7, 40], [2, 3, 8, 41])
    events = np.concatenate([np.arange(n + 1) for n in (1, 2, 7, 40)])
    for ours, scipy_name, statsmodels_name in ((wilson, "wilson", "wilson"), (exact, "exact", "beta")):
        got = np.array(ours(events, number, level))
        scipys = [
            binomtest(int(k), int(n)).proportion_ci(level, scipy_name)
            for k, n in zip(events, number, strict=True)
        ]
        np.testing.assert_allclose(got.T, scipys, rtol=1e-9, atol=1e-12)
        others = proportion_confint(events, number, alpha=1 - level, method=statsmodels_name)
        np.testing.assert_allclose(got, np.clip(others, 0, 1), rtol=1e-9, atol=1e-12)


def test_of_nobody_nothing_is_known() -> None:
    for bounds in (wilson([0, 1], [0, 2], 0.95), exact([0, 1], [0, 2], 0.95)):
        assert [np.isnan(bound).tolist() for bound in bounds] == [[True, False]] * 2


def test_more_events_than_number_is_an_error() -> None:
    with pytest.raises(ValueError, match="between 0"):
        wilson(3, 2, 0.95)
