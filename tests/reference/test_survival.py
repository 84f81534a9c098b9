"""Curves of leak duration against textbook tables and the reference libraries."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from lifelines import AalenJohansenFitter, KaplanMeierFitter
from lifelines.datasets import load_leukemia
from scipy.stats import CensoredData, ecdf

from pipeline.cohort.curves import aalen_johansen, counts_of, kaplan_meier

# Remission in weeks under 6-mercaptopurine; Freireich et al. 1963, as tabled in Kleinbaum & Klein,
# Survival Analysis, and Kalbfleisch & Prentice: weeks, at risk, relapses, share still in remission.
TEXTBOOK = [
    (6, 21, 3, 0.857),
    (7, 17, 1, 0.807),
    (10, 15, 1, 0.753),
    (13, 12, 1, 0.690),
    (16, 11, 1, 0.627),
    (22, 7, 1, 0.538),
    (23, 6, 1, 0.448),
]


def whole(values) -> np.ndarray:
    return np.asarray(values, dtype=np.int64)


def invented(seed: int, number: int = 120) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Entry, exit and event of invented drains, no two times equal (lifelines cannot take ties)."""
    chance = np.random.default_rng(seed)
    times = chance.permutation(np.arange(1, 20 * number))[: 2 * number].reshape(2, number)
    entry = np.where(chance.random(number) < 0.5, 0, times.min(axis=0))
    return entry, times.max(axis=0), chance.choice([0, 1, 1, 2], size=number)


def test_the_leukaemia_trial_gives_the_textbook_table() -> None:
    data = load_leukemia()
    treated = data[data["Rx"] == 0]
    assert len(treated) == 21
    zero = np.zeros(len(treated), dtype=np.int64)
    counts = counts_of(zero, whole(treated["t"]), whole(treated["status"]))
    survival, _, _ = kaplan_meier(counts, 0.95)
    table = [
        (int(t), int(n), int(d), round(float(s), 3))
        for t, n, d, s in zip(counts.times, counts.at_risk, counts.ended, survival, strict=True)
        if d
    ]
    assert table == TEXTBOOK


def test_bounds_agree_with_lifelines_and_scipy() -> None:
    data = load_leukemia()
    times, seen = whole(data["t"]), whole(data["status"])
    counts = counts_of(np.zeros_like(times), times, seen)
    survival, low, high = kaplan_meier(counts, 0.95)
    fitted = KaplanMeierFitter().fit(times, seen)
    inside = (survival > 0) & (survival < 1)
    at = counts.times[inside]
    np.testing.assert_allclose(survival, fitted.survival_function_.loc[counts.times].iloc[:, 0], atol=1e-12)
    reference = fitted.confidence_interval_survival_function_.loc[at].to_numpy()
    np.testing.assert_allclose(np.array([low[inside], high[inside]]).T, reference, rtol=1e-9)
    sf = ecdf(CensoredData(uncensored=times[seen == 1], right=times[seen == 0])).sf
    bounds = sf.confidence_interval(0.95, method="log-log")
    where = np.isin(sf.quantiles, at)
    np.testing.assert_allclose(low[inside], bounds.low.probabilities[where], rtol=1e-9)
    np.testing.assert_allclose(high[inside], bounds.high.probabilities[where], rtol=1e-9)
    assert np.isnan(low[~inside]).all()


@pytest.mark.parametrize("seed", range(5))
def test_late_entry_agrees_with_lifelines(seed: int) -> None:
    entry, exit_, event = invented(seed)
    counts = counts_of(entry, exit_, event)
    survival, _, _ = kaplan_meier(counts, 0.95)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # lifelines warns of small risk sets
        fitted = KaplanMeierFitter().fit(exit_, event == 1, entry=entry)
    np.testing.assert_allclose(survival, fitted.survival_function_.loc[counts.times].iloc[:, 0], atol=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_cumulative_incidence_agrees_with_lifelines(seed: int) -> None:
    entry, exit_, event = invented(seed)
    for begin in (entry, np.zeros_like(entry)):
        counts = counts_of(begin, exit_, event)
        _, incidence, low, high = aalen_johansen(counts, 0.95)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fitted = AalenJohansenFitter().fit(exit_, event, event_of_interest=1, entry=begin)
        estimate = fitted.cumulative_density_.loc[counts.times].iloc[:, 0].to_numpy()
        np.testing.assert_allclose(incidence, estimate, atol=1e-12)
        ends = np.sort(fitted.confidence_interval_.loc[counts.times].to_numpy(), axis=1)
        # Where everybody at risk meets an event at once, lifelines divides by zero.
        fine = np.isfinite(ends).all(axis=1) & (incidence > 0) & (incidence < 1)
        assert fine.sum() > len(fine) / 2
        np.testing.assert_allclose(np.array([low, high]).T[fine], ends[fine], rtol=1e-7)


def test_without_competing_events_incidence_is_one_minus_kaplan_meier() -> None:
    entry, exit_, event = invented(7)
    counts = counts_of(entry, exit_, np.minimum(event, 1))
    survival, _, _ = kaplan_meier(counts, 0.95)
    free, incidence, _, _ = aalen_johansen(counts, 0.95)
    np.testing.assert_allclose(incidence, 1 - survival, atol=1e-12)
    np.testing.assert_allclose(free, survival, atol=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_where_every_leak_has_ended_no_interval_is_claimed(seed: int) -> None:
    entry, exit_, _ = invented(seed, 27)
    counts = counts_of(np.zeros_like(entry), exit_, np.ones_like(exit_))
    _, incidence, low, high = aalen_johansen(counts, 0.95)
    assert incidence[-1] == 1
    assert np.isnan([low[-1], high[-1]]).all()


def test_by_hand_with_a_competing_event() -> None:
    # Four drains: the leak ends at 2, death at 3, the leak ends at 5, censored at 6.
    counts = counts_of(whole([0] * 4), whole([2, 3, 5, 6]), whole([1, 2, 1, 0]))
    free, incidence, _, _ = aalen_johansen(counts, 0.95)
    np.testing.assert_allclose(incidence, [1 / 4, 1 / 4, 1 / 4 + 1 / 4, 1 / 2])
    np.testing.assert_allclose(free, [3 / 4, 1 / 2, 1 / 4, 1 / 4])
