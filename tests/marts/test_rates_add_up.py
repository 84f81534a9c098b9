"""Rates add up: every view's counts are those of `drain` and `operation`, on random wards and on the samples."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.marts import select
from tests.marts.busy_ward import busy_ward

STAYED = ["died", "replaced", "transferred_with_drain", "discharged_with_drain"]
BY_WARD = (
    "prolonged_leak_rate",
    "prolonged_leak_chart",
    "prolonged_leak_funnel",
    "handling",
    "suspected_occlusions",
    "removal_delay",
    "alert_clearing",
)


@pytest.fixture(scope="module", params=["random 3", "one drain", "samples"])
def ask(request, new_cohort, tmp_path_factory):
    """Asks a published database: of random wards, and of the sample logs as loaded."""
    folder = tmp_path_factory.mktemp("published")
    if request.param == "samples":
        home = request.getfixturevalue("sample_home")
        return lambda sql: select(home.database, sql, home.lake.root)
    cohort = new_cohort()
    seed, drains = (9, 1) if request.param == "one drain" else (int(request.param[-1]), 120)
    for name, rows in busy_ward(seed, drains).items():
        cohort.put(name, rows)
    target = cohort.publish(folder / "drainledger.duckdb")
    return lambda sql: select(target, sql, folder)


def test_what_is_counted_is_every_operation_and_every_drain_without_one(ask):
    counted = ask("FROM prolonged_leak_counted")
    drain, operation = ask("FROM drain"), ask("FROM operation")
    alone = drain.filter(pl.col("operation_id").is_null())
    assert counted.height == operation.height + alone.height
    assert counted["drains"].sum() == drain.height
    verdicts = pl.concat([operation["prolonged_leak"], alone["prolonged_leak"]])
    assert (
        counted["prolonged_leak"]
        .value_counts(sort=True)
        .sort("prolonged_leak")
        .equals(verdicts.value_counts(sort=True).sort("prolonged_leak"))
    )


@pytest.mark.parametrize("view", ["prolonged_leak_rate", "prolonged_leak_chart", "prolonged_leak_funnel"])
def test_a_views_verdicts_are_those_of_what_is_counted(ask, view):
    counted, found = ask("FROM prolonged_leak_counted"), ask(f"FROM {view}")
    verdict = counted["prolonged_leak"]
    assert found["counted"].sum() == counted.height
    assert found["prolonged"].sum() == (verdict == "yes").sum()
    assert found["unknown"].sum() == (verdict == "unknown").sum()
    assert (found["evaluable"] + found["unknown"]).equals(found["counted"], check_names=False)
    assert (found["prolonged"] <= found["evaluable"]).all()


def test_the_published_definition_counts_the_same_in_every_table(ask):
    rate = ask(
        "SELECT sum(counted) AS n, sum(prolonged) AS k, sum(unknown) AS u FROM prolonged_leak_rate"
    ).row(0)
    for table in ("leak_sensitivity WHERE site IS NULL", "leak_by_stratum WHERE grouped_by = 'all'"):
        for row in ask(f"SELECT * FROM {table}").iter_rows(named=True):
            if row.get("definition", "more_than_5_days") == "more_than_5_days":
                assert (row["counted"], row["prolonged"], row["unknown"]) == rate


def test_the_strata_of_a_column_are_everybody(ask):
    strata = ask("FROM leak_by_stratum")
    for _, group in strata.group_by("grouped_by"):
        assert group["counted"].sum() == ask("SELECT count(*) AS n FROM prolonged_leak_counted")["n"][0]


def test_baselines_are_made_of_the_months_that_say_so(ask):
    chart = ask("FROM prolonged_leak_chart")
    for (_, _, evaluable, prolonged), months in chart.filter("in_baseline").group_by(
        "site", "baseline_from", "baseline_evaluable", "baseline_prolonged"
    ):
        assert months["evaluable"].sum() == evaluable
        assert months["prolonged"].sum() == prolonged
        assert not months["provisional"].any()


def test_handling_counts_every_drain_and_every_minute(ask):
    drain, found = ask("FROM drain"), ask("FROM handling")
    assert found["drains"].sum() == drain.height
    same = ("minutes_observed", "tilted_minutes", "suction_shortfall_minutes", "alert_count", "mains_minutes")
    for name in same:
        assert found[name].sum() == drain[name].sum(), name
    assert found["pause_minutes"].sum() == (drain["pause_hours"] * 60).round().sum()
    alerts = ask("SELECT count(*) AS n FROM alert")["n"][0]
    assert found["alert_count"].sum() == alerts
    assert (found["alerts_left_ringing"] <= found["alarm_count"]).all()
    assert found["alarm_count"].sum() == ask("SELECT count(*) AS n FROM alarm")["n"][0] <= alerts
    assert found["alarms_known_minutes"].sum() <= found["alerts_known_minutes"].sum()


def test_every_alarm_is_in_one_group_of_alerts_and_every_alert_in_one_alarm(ask):
    found, alarm = ask("FROM alert_clearing"), ask("FROM alarm")
    once = "SELECT count(*) AS n FROM (SELECT DISTINCT counted_id, code, started_at FROM alert "
    once += "JOIN drain_counted_as USING (drain_id))"
    assert alarm["alerts"].sum() == ask(once)["n"][0]
    assert found["alerts"].sum() == alarm.height
    assert found["cleared"].sum() == alarm["minutes_to_clear"].count()
    assert (found["cleared"] + found["not_seen_to_clear"]).equals(found["alerts"], check_names=False)
    by_ward = ask("SELECT sum(alerts_left_ringing) AS n FROM handling")["n"][0]
    assert found["left_ringing"].sum() == (by_ward or 0)


def test_every_suspicion_is_on_a_drain_that_could_show_it(ask):
    found, drain = ask("FROM suspected_occlusions"), ask("FROM drain")
    period = ask("SELECT drain_id FROM period WHERE kind = 'occlusion_suspected'")
    assert (found["suspected"].sum() > 0) == (period.height > 0)
    assert found["suspected"].sum() <= period.height
    assert found["drains_suspected"].sum() <= period["drain_id"].n_unique()
    assert found["drains"].sum() == drain.height
    assessed = drain.filter(pl.col("occlusion_minutes").is_not_null())
    alone = assessed.filter(~pl.col("shared_use"))["minutes_observed"].sum()
    assert alone <= found["assessed_minutes"].sum() <= assessed["minutes_observed"].sum()
    assert (found["drains_suspected"] <= found["drains_assessed"]).all()
    assert (found["suspected"] >= found["drains_suspected"]).all()
    assert (found["probable"] + found["annotated"] <= found["suspected"]).all()


def test_every_tube_that_came_out_is_in_the_delays_of_every_rule(ask):
    reason = pl.col("removal_reason").fill_null("")
    out = ask("FROM drain").filter(pl.col("tube_out_at").is_not_null() & ~reason.is_in(STAYED))
    found = ask("FROM removal_delay")
    rules = ask("SELECT DISTINCT rule FROM readiness")["rule"].to_list()
    assert rules
    for rule in rules:
        of_rule = found.filter(rule=rule)
        assert of_rule["drains"].sum() == out.height
        parts = of_rule["ready"] + of_rule["removed_before_ready"] + of_rule["untold"]
        assert parts.equals(of_rule["drains"].cast(pl.Int64), check_names=False)


def test_days_and_periods_of_a_drain_are_the_drain(ask):
    days = ask("SELECT drain_id, sum(minutes_observed) AS minutes FROM drain_day GROUP BY drain_id")
    both = ask("FROM drain").join(days, on="drain_id", how="left")
    assert both["minutes"].fill_null(0).equals(both["minutes_observed"].cast(pl.Int64), check_names=False)


def test_files_have_read_what_they_kept_and_rejected(ask):
    files = ask("FROM load_file")
    assert files["rows_read"].equals(files["rows_kept"] + files["rows_rejected"], check_names=False)


@pytest.mark.parametrize("view", BY_WARD)
def test_sites_and_wards_stand_in_one_order_nulls_last(ask, view):
    found = ask(f"FROM {view}")
    by = [name for name in ("site", "unit", "procedure", "month") if name in found.columns]
    groups = found.select(by)
    # Polars orders texts by code point, as the database does.
    assert groups.equals(groups.sort(by, nulls_last=True))


@pytest.mark.parametrize(
    "table", ["leak_survival", "leak_incidence", "leak_at_threshold", "leak_sensitivity"]
)
def test_all_sites_together_stand_after_each_site(ask, table):
    sites = ask(f"SELECT DISTINCT site FROM (FROM {table})")["site"].to_list()
    listed = ask(f"SELECT site FROM {table}")["site"].unique(maintain_order=True).to_list()
    assert sorted(sites, key=lambda s: (s is None, s)) == listed
