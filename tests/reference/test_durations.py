"""Medians, restricted means, log-rank tests and late entry against textbooks and the reference libraries."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_leukemia
from lifelines.statistics import multivariate_logrank_test
from lifelines.utils import median_survival_times
from scipy.stats import CensoredData, logrank
from statsmodels.duration.survfunc import SurvfuncRight, survdiff

from pipeline.cohort.curves import (
    aalen_johansen,
    counts_of,
    free_of_either,
    kaplan_meier,
    log_rank,
    median_time,
    reaches,
    restricted_mean,
    value_at,
)

Group = tuple[np.ndarray, np.ndarray, np.ndarray]


def whole(values) -> np.ndarray:
    return np.asarray(values, dtype=np.int64)


def group(times, events, entries=None) -> Group:
    times = whole(times)
    return (np.zeros_like(times) if entries is None else whole(entries)), times, whole(events)


def leukaemia(treated: bool) -> Group:
    """Freireich et al. 1963, Blood 21:699: remission in weeks, 6-mercaptopurine or placebo."""
    data = load_leukemia()
    part = data[data["Rx"] == (0 if treated else 1)]
    return group(part["t"], part["status"])


def invented(seed: int, groups: int = 3, number: int = 60, late: bool = False) -> list[Group]:
    chance = np.random.default_rng(seed)
    found = []
    for k in range(groups):
        times = chance.integers(1, 40 + 15 * k, size=number)  # many ties
        entries = chance.integers(0, 20, size=number) * chance.integers(0, 2, size=number) if late else None
        keep = np.ones(number, bool) if entries is None else entries < times
        found.append(
            group(
                times[keep],
                chance.integers(0, 2, size=number)[keep],
                None if entries is None else entries[keep],
            )
        )
    return found


def pooled(groups: list[Group]) -> tuple[np.ndarray, ...]:
    label = np.repeat(np.arange(len(groups)), [len(g[1]) for g in groups])
    return (*(np.concatenate([g[i] for g in groups]) for i in range(3)), label)


def test_the_median_of_the_leukaemia_trial_is_23_and_8_weeks() -> None:
    # Kleinbaum & Klein, Survival Analysis, ch. 2: median 23 weeks under 6-MP, 8 under placebo.
    assert median_time(counts_of(*leukaemia(True)), 0.95)[0] == 23
    assert median_time(counts_of(*leukaemia(False)), 0.95)[0] == 8


@pytest.mark.parametrize("treated", [True, False])
def test_the_medians_bounds_agree_with_lifelines_and_statsmodels(treated: bool) -> None:
    _, times, seen = leukaemia(treated)
    median, low, high = median_time(counts_of(np.zeros_like(times), times, seen), 0.95)
    fitted = KaplanMeierFitter().fit(times, seen)
    bounds = median_survival_times(fitted.confidence_interval_).to_numpy()[0]
    np.testing.assert_equal([low, high], np.where(np.isinf(bounds), np.nan, bounds))
    assert SurvfuncRight(times, seen).quantile(0.5) == median


def test_the_mean_restricted_to_35_weeks_is_the_area_under_the_curve() -> None:
    # The textbook's curve (0.857 from week 6, … 0.448 from week 23), week by week, by hand:
    steps = [(6, 1), (1, 18 / 21), (3, 18 / 21 * 16 / 17), (3, 18 / 21 * 16 / 17 * 14 / 15)]
    after_13 = 18 / 21 * 16 / 17 * 14 / 15 * 11 / 12
    steps += [(3, after_13), (6, after_13 * 10 / 11), (1, after_13 * 10 / 11 * 6 / 7)]
    steps += [(12, after_13 * 10 / 11 * 6 / 7 * 5 / 6)]
    mean, low, high = restricted_mean(counts_of(*leukaemia(True)), 35, 0.95)
    assert mean == pytest.approx(sum(weeks * share for weeks, share in steps), abs=1e-12)
    # Greenwood-type variance, term by term.
    ahead, areas = 0.0, []
    for weeks, share in reversed(steps[1:]):
        ahead += weeks * share
        areas.append(ahead)
    at = [(21, 3), (17, 1), (15, 1), (12, 1), (11, 1), (7, 1), (6, 1)]
    variance = sum(a**2 * d / (n * (n - d)) for a, (n, d) in zip(reversed(areas), at, strict=True))
    assert (high - low) / 2 == pytest.approx(1.959963984540054 * variance**0.5, abs=1e-9)


def test_without_censoring_the_restricted_mean_is_the_plain_mean_of_what_was_seen_by_then() -> None:
    times = whole([1, 4, 4, 9, 20, 30])
    mean, *_ = restricted_mean(counts_of(*group(times, np.ones(6))), 10, 0.95)
    assert mean == pytest.approx(np.minimum(times, 10).mean())


def test_the_restricted_mean_agrees_with_lifelines() -> None:
    from lifelines.utils import restricted_mean_survival_time

    for one in invented(3):
        fitted = KaplanMeierFitter().fit(one[1], one[2])
        reference = restricted_mean_survival_time(fitted, t=25)
        assert restricted_mean(counts_of(*one), 25, 0.95)[0] == pytest.approx(reference, rel=1e-9)


def test_the_log_rank_of_the_leukaemia_trial_is_the_published_one() -> None:
    # Kleinbaum & Klein, Survival Analysis, ch. 2: log-rank 16.79 for 6-MP against placebo.
    statistic, degrees, chance = log_rank([leukaemia(True), leukaemia(False)])
    assert (round(statistic, 2), degrees) == (16.79, 1)
    assert chance < 0.001


def test_two_groups_agree_with_scipy() -> None:
    (_, x, dx), (_, y, dy) = leukaemia(True), leukaemia(False)
    told = logrank(
        CensoredData(uncensored=x[dx == 1], right=x[dx == 0]),
        CensoredData(uncensored=y[dy == 1], right=y[dy == 0]),
    )
    statistic, _, chance = log_rank([leukaemia(True), leukaemia(False)])
    assert statistic == pytest.approx(told.statistic**2, rel=1e-10)
    assert chance == pytest.approx(told.pvalue, rel=1e-8)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("groups", [2, 3, 5])
def test_k_groups_with_ties_agree_with_lifelines_and_statsmodels(seed: int, groups: int) -> None:
    held = invented(seed, groups)
    _, times, seen, label = pooled(held)
    statistic, degrees, chance = log_rank(held)
    theirs = multivariate_logrank_test(times, label, seen)
    assert degrees == groups - 1
    assert statistic == pytest.approx(theirs.test_statistic, rel=1e-9)
    assert chance == pytest.approx(theirs.p_value, rel=1e-7)
    other, other_chance = survdiff(times, seen, label)
    assert (statistic, chance) == (pytest.approx(other, rel=1e-9), pytest.approx(other_chance, rel=1e-7))


@pytest.mark.parametrize("seed", range(3))
def test_k_groups_with_late_entry_agree_with_statsmodels(seed: int) -> None:
    held = invented(seed, 3, late=True)
    entry, times, seen, label = pooled(held)
    statistic, _, chance = log_rank(held)
    other, other_chance = survdiff(times, seen, label, entry=entry)
    assert (statistic, chance) == (pytest.approx(other, rel=1e-6), pytest.approx(other_chance, rel=1e-5))


def test_still_leaking_ended_and_competing_add_up_and_bounds_are_those_of_any_event() -> None:
    chance = np.random.default_rng(5)
    times, kinds = chance.integers(1, 60, 80), chance.choice([0, 1, 1, 2], 80)
    counts = counts_of(np.zeros(80, np.int64), whole(times), whole(kinds))
    free, ended, *_ = aalen_johansen(counts, 0.95)
    either, low, high = kaplan_meier(free_of_either(counts), 0.95)
    np.testing.assert_allclose(free, either, atol=1e-12)
    fitted = KaplanMeierFitter().fit(times, kinds > 0)
    inside = (either > 0) & (either < 1)
    reference = fitted.confidence_interval_survival_function_.loc[counts.times[inside]].to_numpy()
    np.testing.assert_allclose(np.array([low, high]).T[inside], reference, rtol=1e-9)
    assert ((ended >= 0) & (1 - free - ended >= -1e-12)).all()


class TestEdges:
    def test_of_nobody_nothing_is_known(self) -> None:
        counts = counts_of(whole([]), whole([]), whole([]))
        assert [len(curve) for curve in kaplan_meier(counts, 0.95)] == [0] * 3
        assert np.isnan(median_time(counts, 0.95)).all()
        assert np.isnan(restricted_mean(counts, 10, 0.95)).all()
        assert not reaches(0, counts, kaplan_meier(counts, 0.95)[0])

    def test_all_censored_leaves_the_curve_at_one_without_bounds(self) -> None:
        counts = counts_of(*group([5, 7, 9], [0, 0, 0]))
        survival, low, high = kaplan_meier(counts, 0.95)
        assert survival.tolist() == [1, 1, 1]
        assert np.isnan([low, high]).all()
        assert np.isnan(median_time(counts, 0.95)).all()
        assert restricted_mean(counts, 9, 0.95) == (9, 9, 9)
        assert np.isnan(restricted_mean(counts, 10, 0.95)).all()
        _, incidence, low, _ = aalen_johansen(counts, 0.95)
        assert incidence.tolist() == [0, 0, 0]
        assert np.isnan(low).all()

    def test_one_leak_that_ended(self) -> None:
        counts = counts_of(*group([5], [1]))
        survival, low, high = kaplan_meier(counts, 0.95)
        assert (survival.tolist(), np.isnan(low[0]), np.isnan(high[0])) == ([0.0], True, True)
        median, low_m, high_m = median_time(counts, 0.95)
        assert (median, np.isnan(low_m), np.isnan(high_m)) == (5, True, True)
        assert restricted_mean(counts, 10, 0.95)[0] == 5
        assert value_at(100, counts, survival, 1.0) == 0
        assert reaches(100, counts, survival)

    def test_events_come_before_censoring_at_the_same_time(self) -> None:
        counts = counts_of(*group([5, 5, 5, 8], [1, 0, 1, 1]))
        assert counts.at_risk.tolist() == [4, 1]
        assert kaplan_meier(counts, 0.95)[0].tolist() == [0.5, 0.0]

    def test_a_curve_ends_where_its_last_drain_was_lost(self) -> None:
        counts = counts_of(*group([5, 8], [1, 0]))
        survival = kaplan_meier(counts, 0.95)[0]
        assert [reaches(t, counts, survival) for t in (4, 8, 9)] == [True, True, False]

    def test_a_curve_ends_where_nobody_was_watched_until_the_next_entered(self) -> None:
        # Two are gone by 10; the next is watched only from 20: what happened in between nobody knows.
        counts = counts_of(whole([0, 0, 20, 20]), whole([5, 10, 30, 40]), whole([1, 0, 1, 1]))
        survival, low, _ = kaplan_meier(counts, 0.95)
        assert survival.tolist()[:2] == [0.5, 0.5]
        assert np.isnan(survival[2:]).all()
        assert np.isnan(low[2:]).all()
        assert [reaches(t, counts, survival) for t in (10, 11, 30, 50)] == [True, False, False, False]
        _, incidence, *_ = aalen_johansen(counts, 0.95)
        assert np.isnan(incidence[2:]).all()

    def test_a_risk_set_of_one_that_ends_does_not_say_that_none_leaks_on(self) -> None:
        counts = counts_of(whole([0, 9, 9]), whole([5, 30, 40]), whole([1, 1, 1]))
        survival = kaplan_meier(counts, 0.95)[0]
        assert survival[0] == 0
        assert np.isnan(survival[1:]).all()
        assert not reaches(20, counts, survival)

    def test_who_enters_at_the_moment_another_leaves_keeps_the_curve_whole(self) -> None:
        counts = counts_of(whole([0, 5]), whole([5, 10]), whole([0, 1]))
        assert counts.watched.tolist() == [True, True]

    def test_if_all_enter_late_nothing_is_known_from_the_origin(self) -> None:
        counts = counts_of(whole([3, 4]), whole([10, 12]), whole([1, 1]))
        assert np.isnan(kaplan_meier(counts, 0.95)[0]).all()

    def test_a_log_rank_of_one_group_of_nobody_or_without_events_is_unknown(self) -> None:
        some, none = group([3, 5], [1, 1]), group([], [])
        for groups in ([], [some], [some, none], [group([3], [0]), group([5], [0])]):
            statistic, _, chance = log_rank(groups)
            assert np.isnan([statistic, chance]).all()

    def test_groups_that_are_never_at_risk_together_cannot_be_compared(self) -> None:
        early, late = group([3, 5], [1, 1]), group([30, 35], [1, 1], [20, 20])
        assert np.isnan(log_rank([early, late])[0])


@pytest.mark.parametrize("seed", range(3))
def test_late_entry_with_ties_agrees_with_lifelines_as_far_as_the_curve_is_known(seed: int) -> None:
    for entry, exit_, event in invented(seed, late=True):
        counts = counts_of(entry, exit_, event)
        survival = kaplan_meier(counts, 0.95)[0]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fitted = KaplanMeierFitter().fit(exit_, event, entry=entry)
        known = ~np.isnan(survival)
        assert known.sum() > 10
        reference = fitted.survival_function_.loc[counts.times[known]].iloc[:, 0]
        np.testing.assert_allclose(survival[known], reference, atol=1e-12)
