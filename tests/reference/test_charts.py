"""Control charts against a handbook and against SciPy's binomial."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import duckdb
import polars as pl
import pytest
from scipy import stats

from pipeline.definitions import load_definitions
from pipeline.marts import publish, select
from pipeline.marts.build import GIVEN
from schemas.published import CHART_BASELINE, DRAIN

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2: chips that fail on 30 wafers of 50 chips each
# (counts: the handbook's fractions × 50, from memory; their mean is the published 0.2313).
WAFERS = [
    12,
    15,
    8,
    10,
    4,
    7,
    16,
    9,
    14,
    10,
    5,
    6,
    17,
    12,
    22,
    8,
    10,
    5,
    13,
    11,
    20,
    18,
    24,
    15,
    9,
    12,
    7,
    13,
    9,
    6,
]
CHIPS = 50


def frames():
    return {t.name: t.empty() for t in GIVEN}


def drains_of(groups: list[tuple[str, date, int, int]]) -> pl.DataFrame:
    """Unlinked drains: for each (ward, month, how many, how many prolonged)."""
    rows = [
        {
            "drain_id": f"{unit}-{month:%Y%m}-{number}",
            "site": "lakeside",
            "unit": unit,
            "linked": False,
            "shared_use": False,
            "uses": 1,
            "minutes_observed": 1440,
            "prolonged_leak": "yes" if number < prolonged else "no",
            "origin_at": datetime(month.year, month.month, 1, tzinfo=UTC),
            "origin_day": month,
            "ended_at": datetime(month.year, month.month, 1, tzinfo=UTC) + timedelta(days=40),
        }
        for unit, month, count, prolonged in groups
        for number in range(count)
    ]
    return pl.DataFrame(rows, schema_overrides=DRAIN.dtypes).pipe(DRAIN.conform)


@pytest.fixture(scope="module")
def handbook(tmp_path_factory):
    folder = tmp_path_factory.mktemp("handbook")
    months = [date(2031 + i // 12, i % 12 + 1, 1) for i in range(len(WAFERS))]
    groups = [("A", month, CHIPS, failed) for month, failed in zip(months, WAFERS, strict=True)]
    target = folder / "drainledger.duckdb"
    whole = pl.DataFrame(
        [(None, months[0], months[-1], "all wafers")], schema=CHART_BASELINE.dtypes, orient="row"
    )
    given = {**frames(), "drain": drains_of(groups), "chart_baseline": whole}
    publish(target, given, [], load_definitions())
    return target


def test_three_sigma_limits_are_the_handbooks(handbook):
    with duckdb.connect(str(handbook), read_only=True) as connection:
        found = connection.execute(
            "SELECT DISTINCT centre, sigma_low(centre, evaluable, 3), sigma_high(centre, evaluable, 3) "
            "FROM prolonged_leak_chart"
        ).fetchall()
    assert len(found) == 1
    assert found[0] == pytest.approx((0.2313, 0.0524, 0.4102), abs=0.00005)


def test_the_chart_marks_the_months_beyond_exact_limits(handbook, tmp_path):
    chart = select(handbook, "FROM prolonged_leak_chart ORDER BY month", tmp_path)
    centre = sum(WAFERS) / (CHIPS * len(WAFERS))
    low, high = stats.binom.ppf([0.001, 0.999], CHIPS, centre)
    assert chart["limit_low"].unique().to_list() == [low / CHIPS]
    assert chart["limit_high"].unique().to_list() == [high / CHIPS]
    assert chart["outside"].to_list() == [not low <= failed <= high for failed in WAFERS]
    assert chart["outside"].sum() == 2  # the handbook's points above 0.41: 22 and 24 of 50


def test_each_month_has_the_limits_of_its_own_number(tmp_path):
    groups = [("A", date(2031, m, 1), n, k) for m, (n, k) in enumerate([(4, 1), (40, 4), (400, 30)], start=1)]
    target = tmp_path / "drainledger.duckdb"
    publish(target, {**frames(), "drain": drains_of(groups)}, [], load_definitions())
    chart = select(target, "FROM prolonged_leak_chart ORDER BY month", tmp_path)
    centre = 35 / 444
    for row, (_, _, n, _) in zip(chart.iter_rows(named=True), groups, strict=True):
        assert row["centre"] == centre
        assert row["limit_low"] == stats.binom.ppf(0.001, n, centre) / n
        assert row["limit_high"] == stats.binom.ppf(0.999, n, centre) / n


def test_the_funnel_has_scipys_limits_about_the_rate_of_all_units(tmp_path):
    groups = [
        ("A", date(2031, 1, 1), 200, 20),
        ("B", date(2031, 1, 1), 50, 12),
        ("C", date(2031, 2, 1), 9, 0),
    ]
    target = tmp_path / "drainledger.duckdb"
    publish(target, {**frames(), "drain": drains_of(groups)}, [], load_definitions())
    funnel = select(target, "FROM prolonged_leak_funnel ORDER BY unit", tmp_path)
    centre = 32 / 259
    for row, (unit, _, n, k) in zip(funnel.iter_rows(named=True), groups, strict=True):
        assert (row["unit"], row["evaluable"], row["prolonged"], row["centre"]) == (unit, n, k, centre)
        limits = [row[f"limit_{name}"] for name in ("95_low", "95_high", "998_low", "998_high")]
        assert limits == (stats.binom.ppf([0.025, 0.975, 0.001, 0.999], n, centre) / n).tolist()
    beyond = funnel.filter(pl.col("rate") > pl.col("limit_95_high"))
    assert beyond["unit"].to_list() == ["B"]


def test_chance_alone_leaves_the_limits_at_most_as_often_as_they_say(handbook):
    with duckdb.connect(str(handbook), read_only=True) as connection:
        for n in (1, 5, 20, 75):
            for p in (0.02, 0.1, 0.4):
                low, high = connection.execute(
                    f"SELECT binomial_quantile(0.001, {n}, {p}), binomial_quantile(0.999, {n}, {p})"
                ).fetchone()
                assert stats.binom.cdf(low - 1, n, p) < 0.001
                assert stats.binom.sf(high, n, p) <= 0.001
