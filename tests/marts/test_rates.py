"""Prolonged-leak rates: what is counted, in which month, and what unknown does."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.cohort import reconcile
from pipeline.definitions import load_definitions
from pipeline.marts import publish, select
from schemas.lake import LOAD_FILE, REJECTED_ROW, USE_TABLE
from schemas.registry import REGISTRY_DRAIN

MARCH = datetime(2031, 3, 1, tzinfo=UTC)
APRIL = datetime(2031, 4, 1, tzinfo=UTC)


def drain(drain_id, origin=MARCH, **more):
    row = {
        "drain_id": drain_id,
        "site": "lakeside",
        "linked": False,
        "shared_use": False,
        "uses": 1,
        "minutes_observed": 1440,
        "prolonged_leak": "no",
        "origin_at": origin,
        "origin_day": origin.date() if origin else None,
        "ended_at": origin + timedelta(days=30) if origin else None,
    }
    return {**row, **more}


def at_end(number, ended_at):
    use = {"site": "lakeside", "device": f"DV-{number}", "session": 1, "ended_at": ended_at}
    return {**use, "use_id": f"lakeside:DV-{number}/1@2031", "minutes_observed": 60}


def asked(cohort, tmp_path, sql):
    return select(cohort.publish(tmp_path / "drainledger.duckdb"), sql, tmp_path)


def test_two_drains_of_one_operation_count_once(ward_month, tmp_path):
    row = asked(ward_month, tmp_path, "FROM prolonged_leak_rate WHERE site = 'lakeside'").row(0, named=True)
    assert (row["counted"], row["drains"]) == (9, 10)
    assert (row["evaluable"], row["prolonged"], row["unknown"]) == (8, 2, 1)
    assert row["rate"] == 2 / 8


def test_unknown_is_never_counted_as_no(ward_month, tmp_path):
    row = asked(ward_month, tmp_path, "FROM prolonged_leak_rate WHERE site = 'lakeside'").row(0, named=True)
    assert row["rate_if_unknown_no"] == 2 / 9
    assert row["rate_if_unknown_yes"] == 3 / 9
    assert row["rate_if_unknown_no"] < row["rate"] < row["rate_if_unknown_yes"]


def test_drains_without_a_registry_count_by_themselves_under_no_ward(ward_month, tmp_path):
    row = asked(ward_month, tmp_path, "FROM prolonged_leak_rate WHERE site = 'north'").row(0, named=True)
    assert (row["unit"], row["procedure"], row["month"]) == (None, None, date(2031, 4, 1))
    assert (row["counted"], row["drains"], row["evaluable"], row["prolonged"]) == (3, 3, 2, 1)


def test_one_unknown_alone_has_no_rate_and_bounds_from_nought_to_one(nothing, tmp_path):
    nothing.drains(drain("d", prolonged_leak="unknown", prolonged_leak_reason="died"))
    row = asked(nothing, tmp_path, "FROM prolonged_leak_rate").row(0, named=True)
    assert (row["counted"], row["evaluable"], row["unknown"]) == (1, 0, 1)
    assert (row["rate"], row["rate_low"], row["rate_high"]) == (None, None, None)
    assert (row["rate_if_unknown_no"], row["rate_if_unknown_yes"]) == (0.0, 1.0)
    chart = asked(nothing, tmp_path, "FROM prolonged_leak_chart").row(0, named=True)
    assert (chart["rate"], chart["limit_low"], chart["limit_high"], chart["outside"]) == (None,) * 4


def test_the_month_is_that_of_the_local_day_of_the_origin(nothing, tmp_path):
    late_evening = datetime(2031, 3, 31, 23, 30, tzinfo=UTC)
    nothing.drains(drain("d", late_evening, origin_day=date(2031, 4, 1)))
    assert asked(nothing, tmp_path, "FROM prolonged_leak_rate")["month"].to_list() == [date(2031, 4, 1)]


def test_a_drain_whose_day_is_not_known_still_counts(nothing, tmp_path):
    nothing.drains(drain("d"), drain("e", origin=None, prolonged_leak="yes"))
    found = asked(nothing, tmp_path, "FROM prolonged_leak_rate")
    assert found["month"].to_list() == [date(2031, 3, 1), None]
    assert found["counted"].sum() == 2


def test_a_month_is_provisional_until_the_logs_of_its_own_site_reach_120_hours_past_its_end(
    nothing, tmp_path
):
    past = APRIL + timedelta(hours=120)
    nothing.drains(
        drain("just", ended_at=past, unit="just"),
        drain("not", site="north", ended_at=past - timedelta(minutes=1)),
        drain("perhaps not the last", site="south", ended_at=MARCH + timedelta(hours=120)),
    )
    for view in ("prolonged_leak_rate", "prolonged_leak_chart"):
        found = asked(nothing, tmp_path, f"SELECT site, provisional FROM {view}")
        assert found.rows() == [("lakeside", False), ("north", True), ("south", True)]
    all_sites = asked(
        nothing, tmp_path, "SELECT bool_or(provisional) FROM prolonged_leak_chart GROUP BY month"
    )
    assert all_sites.item() is True


def test_one_who_came_in_a_months_last_hours_has_his_time_too(nothing, tmp_path):
    local_march = datetime(2031, 4, 1, 7, tzinfo=UTC)
    nothing.drains(
        drain("d", local_march, origin_day=date(2031, 3, 31), ended_at=APRIL + timedelta(hours=122))
    )
    assert asked(nothing, tmp_path, "SELECT provisional FROM prolonged_leak_chart").item() is True


def test_a_ward_of_the_funnel_is_provisional_only_while_one_of_its_own_has_not_had_his_time(
    nothing, tmp_path
):
    nothing.drains(
        drain("just", ended_at=MARCH + timedelta(hours=120)),
        drain("not", site="north", ended_at=MARCH + timedelta(hours=119)),
    )
    found = asked(nothing, tmp_path, "SELECT site, provisional FROM prolonged_leak_funnel")
    assert found.rows() == [("lakeside", False), ("north", True)]


def test_a_site_known_from_a_registry_alone_has_not_had_its_time(nothing, tmp_path):
    nothing.drains(drain("d", ended_at=None, prolonged_leak="unknown"))
    views = ("prolonged_leak_rate", "prolonged_leak_chart", "prolonged_leak_funnel")
    for view in views:
        assert asked(nothing, tmp_path, f"SELECT provisional FROM {view}")["provisional"].to_list() == [True]


def test_a_later_log_of_the_site_shows_that_time_has_passed_and_newer_paper_does_not(nothing, tmp_path):
    nothing.drains(drain("d", ended_at=MARCH + timedelta(days=1)))
    file = {
        "site": "lakeside",
        "device": "DV-0001",
        "exported_at": APRIL + timedelta(days=5),
        "rows_read": 1,
        "rows_kept": 1,
        "rows_rejected": 0,
        "loaded_at": MARCH,
    }
    nothing.put("load_file", [{**file, "file_sha256": "a" * 64, "status": "rejected"}])
    registry = {**file, "device": None, "profile": "drain-registry"}
    nothing.put("load_file", [{**registry, "file_sha256": "c" * 64, "status": "loaded"}])
    nothing.put("load_file", [{**file, "file_sha256": "d" * 64, "status": "loaded", "site": "north"}])
    provisional = "SELECT provisional FROM prolonged_leak_rate"
    assert asked(nothing, tmp_path, provisional)["provisional"].to_list() == [True]
    nothing.put("load_file", [{**file, "file_sha256": "b" * 64, "status": "loaded"}])
    assert asked(nothing, tmp_path, provisional)["provisional"].to_list() == [False]


def test_a_use_with_dates_far_off_takes_no_part_in_how_far_logs_reach(nothing, tmp_path):
    years_ahead = datetime(2087, 3, 1, tzinfo=UTC)
    others = [at_end(number, MARCH + timedelta(days=number)) for number in (1, 2)]
    uses = USE_TABLE.conform(pl.DataFrame([*others, at_end(3, years_ahead)]))
    nothing.drains(
        drain("d", ended_at=MARCH + timedelta(days=2)),
        drain("far", years_ahead - timedelta(days=2), ended_at=years_ahead),
    )
    stretch = {"from_at": years_ahead - timedelta(days=2), "until_at": years_ahead}
    nothing.put("drain_use", [{"drain_id": "far", "use_id": "lakeside:DV-3/1@2031", **stretch}])
    file = {"site": "lakeside", "status": "loaded", "rows_read": 1, "rows_kept": 1, "rows_rejected": 0}
    file |= {"file_sha256": "a" * 64, "device": "DV-2;DV-3", "exported_at": years_ahead, "loaded_at": MARCH}
    nothing.put("load_file", [file])
    provisional = "SELECT provisional FROM prolonged_leak_rate WHERE month = DATE '2031-03-01'"
    assert asked(nothing, tmp_path, provisional)["provisional"].to_list() == [False]
    told = reconcile(
        LOAD_FILE.empty(), REJECTED_ROW.empty(), uses, REGISTRY_DRAIN.empty(), load_definitions()
    ).filter(pl.col("finding") == "dates_far_off")
    assert told.height == 1
    nothing.put("data_quality", told.to_dicts())
    assert asked(nothing, tmp_path, provisional)["provisional"].to_list() == [True]


def test_thresholds_and_levels_come_from_the_definitions(ward_month, tmp_path):
    shipped = load_definitions()
    weekly = shipped.model_copy(
        update={
            "prolonged_leak": (shipped.prolonged_leak[1], shipped.prolonged_leak[0]),
            "statistics": shipped.statistics.model_copy(update={"level": 0.5, "outer_level": 0.6}),
        }
    )
    ward_month.drains(drain("w", ended_at=APRIL + timedelta(hours=130), site="weekly"))
    usual, other = tmp_path / "usual.duckdb", tmp_path / "other.duckdb"
    publish(usual, ward_month.frames, [], shipped)
    publish(other, ward_month.frames, [], weekly)
    rate = "SELECT provisional, rate_high - rate_low AS width FROM prolonged_leak_rate ORDER BY site"
    first, second = select(usual, rate, tmp_path), select(other, rate, tmp_path)
    assert (first["provisional"].to_list()[-1], second["provisional"].to_list()[-1]) == (False, True)
    assert (second["width"] < first["width"]).all()
    funnel = "SELECT sum(limit_95_high + limit_998_high) AS total FROM prolonged_leak_funnel"
    assert select(other, funnel, tmp_path)["total"][0] < select(usual, funnel, tmp_path)["total"][0]


outcome = st.sampled_from(["yes", "no", "unknown"])
ward = st.sampled_from([None, "A", "B'; --"])
day = st.one_of(st.none(), st.dates(date(2031, 1, 1), date(2031, 4, 30)))
site = st.sampled_from(["lakeside", "north"])


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    unlinked=st.lists(st.tuples(site, outcome, ward, day), max_size=25),
    operated=st.lists(st.tuples(site, outcome, ward, day, st.integers(1, 3)), max_size=25),
)
def test_counts_of_every_view_add_up_to_the_drains(new_cohort, tmp_path, unlinked, operated):
    drain_rows, operation_rows = [], []
    for number, (where, result, unit, on) in enumerate(unlinked):
        drain_rows.append(drain(f"u{number}", site=where, prolonged_leak=result, unit=unit, origin_day=on))
    for number, (where, result, unit, on, tubes) in enumerate(operated):
        shared = {"site": where, "unit": unit, "prolonged_leak": result, "origin_day": on}
        key = {"operation_id": f"op{number}"}
        operation_rows.append({**shared, **key, "origin_at": MARCH, "drains": tubes})
        drain_rows.extend(drain(f"o{number}.{t}", **shared, **key, linked=True) for t in range(tubes))
    cohort = new_cohort().drains(*drain_rows).operations(*operation_rows)
    target = cohort.publish(tmp_path / "drainledger.duckdb")
    drains = cohort.frames["drain"]
    outcomes = [o[1] for o in unlinked] + [o[1] for o in operated]
    rate = select(target, "FROM prolonged_leak_rate", tmp_path)
    assert rate["drains"].sum() == drains.height
    assert rate["counted"].sum() == len(outcomes)
    assert rate["unknown"].sum() == outcomes.count("unknown")
    assert (rate["evaluable"] + rate["unknown"]).equals(rate["counted"])
    for view in ("prolonged_leak_rate", "prolonged_leak_chart", "prolonged_leak_funnel"):
        found = select(target, f"FROM {view}", tmp_path)
        assert found["prolonged"].sum() == outcomes.count("yes"), view
        assert found["evaluable"].sum() == len(outcomes) - outcomes.count("unknown"), view
        assert found.filter(pl.col("rate").is_null()).height == found.filter(pl.col("evaluable") == 0).height
    handling = select(target, "FROM handling", tmp_path)
    assert handling["drains"].sum() == drains.height


@pytest.mark.parametrize("view", ["prolonged_leak_rate", "prolonged_leak_chart", "prolonged_leak_funnel"])
def test_a_view_names_each_group_once_even_where_ward_or_month_is_unknown(ward_month, tmp_path, view):
    ward_month.drains(drain("x", origin=None), drain("y", origin=None))
    found = asked(ward_month, tmp_path, f"FROM {view}")
    group = [c for c in ("site", "unit", "procedure", "month") if c in found.columns]
    assert found.select(group).is_unique().all()


class TestSensitivity:
    """`leak_sensitivity` beside what it counts."""

    @pytest.fixture
    def moved(self, nothing):
        rows = []
        for name, change, verdicts in (
            ("more_than_5_days", None, ["yes", "no", "no", "unknown"]),
            ("more_than_7_days", None, ["no", "no", "no", "unknown"]),
            ("strict", "prolonged_leak.presume_removal = 0", ["yes", "unknown", "no", "unknown"]),
        ):
            rows += [
                {
                    "definition": name,
                    "moved": change,
                    "counted_id": f"c{number}",
                    "site": "north" if number == 3 else "lakeside",
                    "drains": 1,
                    "prolonged_leak": verdict,
                    "prolonged_leak_reason": "still_in" if verdict == "unknown" else None,
                }
                for number, verdict in enumerate(verdicts)
            ]
        nothing.put("counted_outcome", rows)
        told = {"definition": "strict", "site": None, "hours": 120.0, "watched": 3, "kaplan_meier": 0.25}
        return nothing.put("leak_at_threshold", [told])

    def test_definitions_come_first_and_then_what_was_moved(self, moved, tmp_path):
        found = asked(moved, tmp_path, "SELECT definition, site FROM leak_sensitivity")
        assert found.rows()[:3] == [
            ("more_than_5_days", "lakeside"), ("more_than_5_days", "north"), ("more_than_5_days", None),
        ]  # fmt: skip
        assert found["definition"].unique(maintain_order=True).to_list()[-1] == "strict"

    def test_rates_and_both_bounds_of_the_unknown(self, moved, tmp_path):
        query = "FROM leak_sensitivity WHERE site IS NULL AND definition = 'strict'"
        row = asked(moved, tmp_path, query).row(0, named=True)
        assert (row["counted"], row["evaluable"], row["prolonged"], row["unknown"]) == (4, 2, 1, 2)
        assert (row["rate"], row["rate_if_unknown_no"], row["rate_if_unknown_yes"]) == (0.5, 0.25, 0.75)
        assert (row["hours"], row["kaplan_meier"], row["still_leaking"]) == (120, 0.25, None)
        assert row["rate_low"] == pytest.approx(0.0945, abs=1e-4)

    def test_a_site_of_unknowns_has_no_rate(self, moved, tmp_path):
        query = "FROM leak_sensitivity WHERE site = 'north' AND definition = 'more_than_5_days'"
        row = asked(moved, tmp_path, query).row(0, named=True)
        assert (row["counted"], row["rate"], row["rate_low"], row["kaplan_meier"]) == (1, None, None, None)
