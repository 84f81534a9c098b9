"""The chart's frozen baseline, what is too small, what is provisional, and rules that are applied when asked."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from scipy import stats

from pipeline.marts import chart_baselines, select
from schemas.errors import CallError, InputError

LATE = datetime(2035, 1, 1, tzinfo=UTC)


def month_no(number: int) -> date:
    return date(2031 + number // 12, number % 12 + 1, 1)


def months(*counts: tuple[int, int], site: str = "lakeside", first: int = 0, until: datetime = LATE):
    """Unlinked drains: for each month how many, and how many of them prolonged; the last ends at `until`."""
    rows = []
    for place, (number, prolonged) in enumerate(counts):
        day = month_no(first + place)
        origin = datetime(day.year, day.month, 1, 12, tzinfo=UTC)
        for one in range(number):
            rows.append(
                {
                    "drain_id": f"{site}{first + place:03}-{one:03}",
                    "site": site,
                    "linked": False,
                    "shared_use": False,
                    "uses": 1,
                    "minutes_observed": 1440,
                    "origin_at": origin,
                    "origin_day": day,
                    "ended_at": min(until, origin + timedelta(days=40)),
                    "prolonged_leak": "yes" if one < prolonged else "no",
                }
            )
    return rows


def chart(cohort, tmp_path, *drains, baselines=()):
    cohort.drains(*drains)
    cohort.put(
        "chart_baseline",
        [
            {"site": site, "from_month": first, "through_month": last, "why": "for the test"}
            for site, first, last in baselines
        ],
    )
    return select(cohort.publish(tmp_path / "drainledger.duckdb"), "FROM prolonged_leak_chart", tmp_path)


YEAR = [
    (20, 3),
    (22, 2),
    (18, 3),
    (25, 4),
    (21, 2),
    (19, 3),
    (20, 2),
    (23, 3),
    (17, 2),
    (20, 4),
    (22, 3),
    (21, 2),
]


def test_a_years_first_months_are_the_baseline_and_later_ones_do_not_move_it(nothing, tmp_path):
    before = chart(nothing, tmp_path, *months(*YEAR))
    after = chart(nothing, tmp_path, *months((20, 18), (20, 19), first=12))
    centre = sum(k for _, k in YEAR) / sum(n for n, _ in YEAR)
    assert before["centre"].unique().to_list() == [centre]
    assert after["centre"].unique().to_list() == [centre]
    assert after.head(12).equals(before)
    assert after["baseline"].unique().to_list() == ["first_months"]
    assert after["in_baseline"].to_list() == [True] * 12 + [False] * 2
    assert after["outside"].to_list() == [False] * 12 + [True] * 2


def test_until_there_is_a_year_of_months_the_baseline_is_forming(nothing, tmp_path):
    found = chart(nothing, tmp_path, *months(*YEAR[:11]))
    assert found["baseline"].unique().to_list() == ["forming"]
    assert found["in_baseline"].all()


def test_months_nobody_could_be_told_in_do_not_use_up_the_year(nothing, tmp_path):
    drains = [*months(*YEAR[:6]), *months(*YEAR[6:], first=7)]
    unknown = {**months((1, 0), first=6)[0], "prolonged_leak": "unknown", "prolonged_leak_reason": "died"}
    found = chart(nothing, tmp_path, *drains, unknown)
    assert found.height == 13
    assert found["baseline"].unique().to_list() == ["first_months"]
    assert found["baseline_through"].unique().to_list() == [month_no(12)]


def test_a_provisional_month_is_neither_baseline_nor_judged(nothing, tmp_path):
    short = months((20, 19), first=5, until=datetime(2031, 6, 4, tzinfo=UTC))
    found = chart(nothing, tmp_path, *months(*YEAR[:5]), *short)
    last = found.row(-1, named=True)
    assert last["provisional"]
    assert not last["in_baseline"]
    assert last["outside"] is None
    assert last["baseline_evaluable"] == sum(n for n, _ in YEAR[:5])
    assert last["rate"] == 0.95


def test_a_baseline_that_somebody_set_holds_from_its_first_month_until_the_next(nothing, tmp_path):
    drains = months(*YEAR, *[(20, 8)] * 6)
    set_ones = [
        ("lakeside", month_no(0), month_no(5)),
        ("lakeside", month_no(12), month_no(17)),
        ("north", month_no(0), month_no(1)),
    ]
    found = chart(nothing, tmp_path, *drains, baselines=set_ones)
    first = sum(k for _, k in YEAR[:6]) / sum(n for n, _ in YEAR[:6])
    assert found["centre"].to_list() == [first] * 12 + [0.4] * 6
    assert found["baseline"].unique().to_list() == ["set"]
    assert not found["outside"].any()


def test_a_baseline_without_a_site_is_for_those_that_have_none_of_their_own(nothing, tmp_path):
    drains = [*months(*YEAR), *months(*YEAR, site="north")]
    set_ones = [(None, month_no(0), month_no(0)), ("north", month_no(1), month_no(1))]
    found = chart(nothing, tmp_path, *drains, baselines=set_ones)
    assert dict(found.select("site", "centre").unique().rows()) == {"lakeside": 3 / 20, "north": 2 / 22}
    first_of_north = found.filter(pl.col("site") == "north").row(0, named=True)
    assert (first_of_north["centre"], first_of_north["in_baseline"]) == (2 / 22, False)


def test_a_baseline_that_reaches_past_the_data_is_forming(nothing, tmp_path):
    found = chart(nothing, tmp_path, *months(*YEAR), baselines=[("lakeside", month_no(0), month_no(20))])
    assert found["baseline"].unique().to_list() == ["forming"]


def test_what_stands_on_too_few_says_so_and_keeps_its_exact_limits(nothing, tmp_path):
    found = chart(nothing, tmp_path, *months(*YEAR, (9, 1), (2, 2), (10, 1)))
    assert found["too_small"].to_list() == [False] * 12 + [True, True, False]
    assert not found["baseline_too_small"].any()
    centre = found["centre"][0]
    for row in found.iter_rows(named=True):
        low, high = stats.binom.ppf([0.001, 0.999], row["evaluable"], centre) / row["evaluable"]
        assert (row["limit_low"], row["limit_high"]) == (low, high)


def test_a_baseline_of_few_says_so(nothing, tmp_path):
    found = chart(nothing, tmp_path, *months((20, 2), (29, 3)))
    assert found["baseline_too_small"].all()


@pytest.mark.parametrize("prolonged", [0, 20])
def test_a_baseline_in_which_all_were_alike_draws_no_limits(nothing, tmp_path, prolonged):
    later = (20, 20 - prolonged)
    found = chart(nothing, tmp_path, *months(*[(20, prolonged)] * 12, later))
    assert found["limit_low"].null_count() == 13
    assert found["outside"].null_count() == 13
    target = tmp_path / "drainledger.duckdb"
    assert select(target, "FROM prolonged_leak_signals(deviations := 3)", tmp_path).is_empty()


def signals(cohort, tmp_path, counts, rules, **more):
    base = [(1000, 200)] * 12  # a baseline of 20 %
    cohort.drains(*months(*base, *counts))
    target = cohort.publish(tmp_path / "drainledger.duckdb")
    extra = "".join(f", {name} := {value}" for name, value in more.items())
    found = select(target, f"FROM prolonged_leak_signals(rules := {rules}{extra})", tmp_path)
    return [(rule, (m.year - 2032) * 12 + m.month - 1) for rule, m in found.select("rule", "month").rows()]


def test_no_run_rule_is_applied_unless_asked_for(nothing, tmp_path):
    nothing.drains(*months(*[(100, 20)] * 12, *[(100, 21)] * 10))
    target = nothing.publish(tmp_path / "drainledger.duckdb")
    assert select(target, "FROM prolonged_leak_signals()", tmp_path).is_empty()
    found = select(target, "FROM prolonged_leak_signals(rules := ['long_run'])", tmp_path)
    assert found["month"].to_list() == [month_no(19), month_no(20), month_no(21)]


# 100 evaluable at 20 %: one standard deviation is 4 of 100; exact 99.8 % limits are 9 and 33.
@pytest.mark.parametrize(
    ("rule", "later", "marked"),
    [
        ("long_run", [21] * 7 + [19], []),
        ("long_run", [21] * 8, [7]),
        ("long_run", [21] * 4 + [20, 20] + [21] * 4, [9]),
        ("long_run", [21, 19] * 6, []),
        ("trend", [15, 16, 17, 18, 19], []),
        ("trend", [15, 16, 17, 18, 19, 21, 22], [5, 6]),
        ("trend", [25, 24, 23, 22, 21, 19, 23], [5]),
        ("trend", [21, 22, 22, 23, 24, 25, 26, 27], [7]),
        ("two_of_three", [29, 20, 29], [2]),
        ("two_of_three", [29, 20, 20, 29], []),
        ("two_of_three", [29, 11], []),
        ("two_of_three", [28, 28], []),
        ("four_of_five", [25, 25, 20, 25, 25], [4]),
        ("four_of_five", [25, 25, 20, 20, 25, 25], []),
        ("four_of_five", [15, 15, 15, 15], [3]),
        ("beyond_limits", [33, 34, 9, 8], [1, 3]),
    ],
)
def test_a_rule_marks_the_month_that_completes_its_pattern(nothing, tmp_path, rule, later, marked):
    found = signals(nothing, tmp_path, [(100, k) for k in later], f"['{rule}']")
    assert found == [(rule, place) for place in marked]


def test_limits_of_three_deviations_take_the_place_of_the_exact_ones_on_request(nothing, tmp_path):
    counts = [(100, 33), (100, 32), (100, 8), (100, 7)]  # 8 and 32 lie just at three
    assert signals(nothing, tmp_path, counts, "['beyond_limits']", deviations=3) == [
        ("beyond_limits", 0),
        ("beyond_limits", 3),
    ]


def test_a_rule_that_there_is_not_is_said(nothing, tmp_path):
    target = nothing.publish(tmp_path / "drainledger.duckdb")
    with pytest.raises(CallError, match="there is no chart rule hunch; SELECT rule FROM chart_rule"):
        select(target, "FROM prolonged_leak_signals(rules := ['hunch'])", tmp_path)


def test_rules_have_their_sources(nothing, tmp_path):
    target = nothing.publish(tmp_path / "drainledger.duckdb")
    found = select(target, "FROM chart_rule", tmp_path)
    assert found["rule"][0] == "beyond_limits"
    assert found["meaning"].str.contains("^8 or more").sum() == 1
    assert (found["source"].str.len_chars() > 20).all()


class TestTheFile:
    """baselines.toml in the home."""

    def test_entries_are_read_in_order_of_site_and_month(self, tmp_path):
        (tmp_path / "baselines.toml").write_text(
            '[[baseline]]\nfrom = "2031-01"\nthrough = "2031-12"\nwhy = "all"\n'
            '[[baseline]]\nsite = "north"\nfrom = "2032-01"\nthrough = "2032-06"\nwhy = "new ward round"\n'
            '[[baseline]]\nsite = "north"\nfrom = "2031-01"\nthrough = "2031-06"\nwhy = "first"\n'
        )
        assert chart_baselines(tmp_path).rows() == [
            ("north", date(2031, 1, 1), date(2031, 6, 1), "first"),
            ("north", date(2032, 1, 1), date(2032, 6, 1), "new ward round"),
            (None, date(2031, 1, 1), date(2031, 12, 1), "all"),
        ]

    def test_without_a_file_in_the_home_the_shipped_one_sets_none(self, tmp_path):
        assert chart_baselines(tmp_path).is_empty()

    ENTRY = '[[baseline]]\nsite = "north"\nfrom = "2031-01"\nthrough = "2031-06"\nwhy = "x"\n'

    @pytest.mark.parametrize(
        ("text", "says"),
        [
            (ENTRY.replace('"2031-01"', '"January"'), "from = 'January' is no month"),
            (ENTRY.replace('"2031-01"', "2031-01-05"), "is no month"),
            (ENTRY.replace("2031-06", "2030-06"), r"ends \(2030-06\) before it begins \(2031-01\)"),
            (ENTRY.replace('why = "x"\n', ""), "'why' is missing"),
            (ENTRY + "until = 3\n", "'until' is not known"),
            (ENTRY.replace('"north"', "7"), "site is no text"),
            (ENTRY + ENTRY.replace("2031-01", "2031-06"), "two baselines of north overlap in 2031-06"),
            ("[baseline]\n", r"write \[\[baseline\]\]"),
            ("[[baselines]]\n", "'baselines' is not known"),
            ("[[baseline", "not valid TOML"),
        ],
    )
    def test_a_slip_is_one_sentence_that_names_it(self, tmp_path, text, says):
        (tmp_path / "baselines.toml").write_text(text)
        with pytest.raises(InputError, match=says) as caught:
            chart_baselines(tmp_path)
        assert "baselines.toml" in str(caught.value)
        assert str(caught.value).endswith(".")
