"""The database's intervals of proportions against the literature and against SciPy and statsmodels."""

from __future__ import annotations

import duckdb
import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from pipeline.definitions import load_definitions
from pipeline.marts import publish
from pipeline.marts.build import GIVEN

# A tolerance for quantities of order one that two independent double computations may differ by.
ROUNDING = 1e-11


@pytest.fixture(scope="module")
def ask(tmp_path_factory):
    frames = {t.name: t.empty() for t in GIVEN}
    target = tmp_path_factory.mktemp("macros") / "drainledger.duckdb"
    publish(target, frames, [], load_definitions())
    with duckdb.connect(str(target), read_only=True) as connection:
        yield lambda sql: connection.execute(sql).fetchall()


# Newcombe 1998, Stat Med 17:857, table I, method 3; from memory, recomputed with statsmodels below.
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("k", "n", "low", "high"), NEWCOMBE)
def test_wilson_intervals_are_newcombes(ask, k, n, low, high):
    (found,) = ask(f"SELECT wilson_low({k}, {n}), wilson_high({k}, {n})")
    assert found == pytest.approx((low, high), abs=0.00005)
    assert found == pytest.approx(proportion_confint(k, n, method="wilson"), abs=ROUNDING)


def test_a_published_rate_of_200_in_2317_is_8_6_percent(ask):
    # Attaar et al. 2017, J Thorac Cardiovasc Surg 153:690: 200 of 2317 patients.
    ((rate, low, high),) = ask("SELECT 200 / 2317, exact_low(200, 2317), exact_high(200, 2317)")
    assert round(rate * 100, 1) == 8.6
    reference = stats.binomtest(200, 2317).proportion_ci(method="exact")
    assert (low, high) == pytest.approx((reference.low, reference.high), abs=ROUNDING)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95, 0.99, 0.998, 0.9999])
def test_every_interval_of_small_numbers_agrees_with_scipy(ask, level):
    rows = ask(
        f"SELECT k, n, wilson_low(k, n, {level}), wilson_high(k, n, {level}), "
        f"exact_low(k, n, {level}), exact_high(k, n, {level}) "
        "FROM range(1, 31) AS whole(n), range(0, 31) AS part(k) WHERE k <= n ORDER BY n, k"
    )
    assert len(rows) == sum(n + 1 for n in range(1, 31))
    for k, n, *found in rows:
        trial = stats.binomtest(k, n)
        wilson = trial.proportion_ci(level, method="wilson")
        exact = trial.proportion_ci(level, method="exact")
        assert found == pytest.approx([wilson.low, wilson.high, exact.low, exact.high], abs=ROUNDING), (k, n)


@pytest.mark.parametrize(("k", "n"), [(0, 2317), (1, 2317), (1158, 2317), (2316, 2317), (2317, 2317)])
def test_intervals_of_large_numbers_agree_with_scipy(ask, k, n):
    (found,) = ask(
        f"SELECT wilson_low({k}, {n}), wilson_high({k}, {n}), exact_low({k}, {n}), exact_high({k}, {n})"
    )
    trial = stats.binomtest(k, n)
    wilson, exact = trial.proportion_ci(method="wilson"), trial.proportion_ci(method="exact")
    assert found == pytest.approx([wilson.low, wilson.high, exact.low, exact.high], abs=1e-10)


def test_none_and_all_have_a_bound_of_exactly_nought_and_one(ask):
    assert ask("SELECT wilson_low(0, 7), exact_low(0, 7), wilson_high(7, 7), exact_high(7, 7)") == [
        (0.0, 0.0, 1.0, 1.0)
    ]


@pytest.mark.parametrize(
    "call",
    ["(0, 0)", "(-1, 5)", "(6, 5)", "(NULL, 5)", "(5, NULL)", "(1, 5, 0)", "(1, 5, 1)", "(1, 5, NULL)"],
)
@pytest.mark.parametrize("macro", ["wilson_low", "wilson_high", "exact_low", "exact_high"])
def test_what_is_no_proportion_has_no_interval(ask, macro, call):
    assert ask(f"SELECT {macro}{call}") == [(None,)]


def test_the_level_may_be_left_out_given_in_place_or_by_name(ask):
    level = load_definitions().statistics.level
    ((default, placed, named),) = ask(
        f"SELECT exact_low(3, 20), exact_low(3, 20, {level}), exact_low(3, 20, level := {level})"
    )
    assert default == placed == named


def test_normal_deviates_agree_with_scipy_from_the_middle_to_far_out(ask):
    levels = np.concatenate([np.linspace(0.001, 0.999, 97), 1 - np.logspace(-4, -14, 21)])
    values = ", ".join(f"({level!r}::DOUBLE)" for level in levels.tolist())
    found = [row[0] for row in ask(f"SELECT normal_deviate(level) FROM (VALUES {values}) AS v(level)")]
    # The tail is taken as (1 - level) / 2 on both sides, for 1 - level is exact and (1 + level) / 2 is not.
    assert found == pytest.approx(stats.norm.isf((1 - levels) / 2).tolist(), rel=1e-13)


def test_binomial_quantiles_are_scipys(ask):
    shares, sizes, chances = [0.001, 0.025, 0.5, 0.975, 0.999], [1, 2, 7, 50, 333], [0.01, 0.086, 0.47, 0.97]
    for share in shares:
        for n in sizes:
            for p in chances:
                ((x,),) = ask(f"SELECT binomial_quantile({share}, {n}, {p})")
                assert x == stats.binom.ppf(share, n, p), (share, n, p)


def test_a_share_that_is_reached_exactly_is_reached(ask):
    # Of an odd number of fair coins, fewer than half come up heads with a chance of exactly one half.
    assert ask("SELECT binomial_quantile(0.5, n, 0.5) FROM (VALUES (7), (333)) AS v(n) ORDER BY n") == [
        (3,),
        (166,),
    ]


def test_what_is_certain_has_one_quantile(ask):
    assert ask("SELECT binomial_quantile(0.999, 9, 0), binomial_quantile(0.001, 9, 1)") == [(0, 9)]
    assert ask("SELECT binomial_quantile(0.5, 0, 0.1), binomial_quantile(0.5, 9, NULL)") == [(None, None)]


# Garwood 1936, Biometrika 28:437: 95 % bounds of an observed count, three decimals, as tabulated since (from memory).
GARWOOD = [(0, 0.0, 3.689), (1, 0.025, 5.572), (5, 1.623, 11.668), (10, 4.795, 18.390), (50, 37.111, 65.919)]


@pytest.mark.parametrize(("k", "low", "high"), GARWOOD)
def test_exact_intervals_of_counts_are_garwoods(ask, k, low, high):
    assert ask(f"SELECT poisson_low({k}), poisson_high({k})")[0] == pytest.approx((low, high), abs=0.0006)


@pytest.mark.parametrize("level", [0.5, 0.95, 0.998, 0.9999])
def test_exact_intervals_of_counts_agree_with_scipys_chi_square(ask, level):
    counts = [*range(0, 40), 137, 1000]
    rows = ask(
        f"SELECT k, poisson_low(k, {level}), poisson_high(k, {level}) FROM (SELECT unnest({counts}) AS k) ORDER BY k"
    )
    for k, *found in rows:
        low = stats.chi2.ppf((1 - level) / 2, 2 * k) / 2 if k else 0.0
        assert found == pytest.approx([low, stats.chi2.ppf((1 + level) / 2, 2 * k + 2) / 2], rel=1e-9), k


def test_counts_that_are_none_and_levels_that_are_none_have_no_interval(ask):
    calls = "poisson_low(-1), poisson_high(-1), poisson_low(NULL), poisson_high(3, 1), poisson_low(3, 0)"
    assert ask(f"SELECT {calls}") == [(None,) * 5]
