"""Handling on the ward, hours between ready and removed, and what each device did."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from pipeline.marts import select

MARCH = datetime(2031, 3, 10, tzinfo=UTC)


def drain(drain_id, **more):
    row = {
        "drain_id": drain_id,
        "site": "lakeside",
        "unit": "A",
        "linked": True,
        "shared_use": False,
        "uses": 1,
        "minutes_observed": 1440,
        "prolonged_leak": "no",
        "origin_at": MARCH,
        "origin_day": MARCH.date(),
        "tube_out_at": MARCH + timedelta(days=3),
        "removal_reason": "planned",
    }
    return {**row, **more}


def asked(cohort, tmp_path, sql):
    return select(cohort.publish(tmp_path / "drainledger.duckdb"), sql, tmp_path)


def known(minutes):
    names = ("state_known_minutes", "tilt_known_minutes", "suction_known_minutes", "alerts_known_minutes")
    return dict.fromkeys(names, minutes)


def test_a_tilt_read_in_a_tenth_of_the_minutes_counts_per_day_of_that_tenth(nothing, tmp_path):
    nothing.drains(
        drain(
            "a",
            minutes_observed=14400,
            tilted_minutes=1440,
            tilt_known_minutes=1440,
            pause_hours=1.0,
            state_known_minutes=7200,
            suction_shortfall_minutes=10,
            suction_known_minutes=2880,
            alert_count=3,
            alerts_known_minutes=4320,
        ),
        drain("never", **known(0)),
    )
    row = asked(nothing, tmp_path, "FROM handling").row(0, named=True)
    assert row["tilted_minutes_per_day"] == 1440.0
    assert row["pause_minutes_per_day"] == 12.0
    assert row["shortfall_minutes_per_day"] == 5.0
    assert row["alerts_per_day"] == 1.0


def test_minutes_a_day_stand_on_the_drains_that_could_tell(nothing, tmp_path):
    told = {"tilted_minutes": 30, "minutes_observed": 2880, "pause_hours": 1.5, "alert_count": 4}
    nothing.drains(
        drain("told", **told, **known(2880)),
        drain("never_read"),
    )
    row = asked(nothing, tmp_path, "FROM handling").row(0, named=True)
    assert (row["drains"], row["drain_days"]) == (2, 3.0)
    assert row["tilted_minutes_per_day"] == 15.0
    assert row["pause_minutes_per_day"] == 45.0
    assert row["alerts_per_day"] == 2.0
    assert row["shortfall_minutes_per_day"] is None
    assert row["minutes_to_clear_median"] is None
    assert row["mains_share"] is None


def test_minutes_to_clear_are_the_median_of_alerts_seen_to_end(nothing, tmp_path):
    nothing.drains(drain("a"), drain("b", unit=None))
    nothing.put(
        "alert",
        [
            {
                "drain_id": d,
                "code": "canister_full",
                "started_at": MARCH + timedelta(hours=i),
                "ended_at": MARCH + timedelta(hours=i, minutes=1),
                **ends,
            }
            for d, i, ends in [
                ("a", 0, {"minutes_to_clear": 4}),
                ("a", 1, {"minutes_to_clear": 9}),
                ("a", 2, {"minutes_to_clear": None}),
                ("b", 0, {"minutes_to_clear": 100}),
            ]
        ],
        minutes=1,
    )
    found = asked(nothing, tmp_path, "SELECT unit, minutes_to_clear_median FROM handling")
    assert found.rows() == [("A", 6.5), (None, 100.0)]


def test_the_share_on_mains_is_of_the_minutes_for_which_the_supply_is_known(nothing, tmp_path):
    nothing.drains(drain("a", mains_minutes=90, battery_minutes=10), drain("b"))
    assert asked(nothing, tmp_path, "SELECT mains_share FROM handling")["mains_share"][0] == 0.9


def ready(drain_id, hours, before=False, rule="r"):
    return {
        "drain_id": drain_id,
        "rule": rule,
        "hours_ready_before_removal": hours,
        "removed_before_ready": before,
    }


def test_delay_counts_drains_that_came_out_and_not_patients_who_died_or_left_with_them(nothing, tmp_path):
    nothing.drains(
        drain("a"),
        drain("b", removal_reason=None),
        drain("c"),
        drain("died", removal_reason="died"),
        drain("left", removal_reason="transferred_with_drain"),
        drain("replaced", removal_reason="replaced"),
        drain("still_in", tube_out_at=None, removal_reason=None),
    )
    nothing.put(
        "readiness",
        [ready("a", 10.0), ready("b", 20.0), ready("c", None, True)]
        + [ready(d, 99.0) for d in ("died", "left", "replaced", "still_in")],
    )
    row = asked(nothing, tmp_path, "FROM removal_delay").row(0, named=True)
    assert (row["drains"], row["ready"], row["removed_before_ready"]) == (3, 2, 1)
    assert row["delay_median_hours"] == 15.0
    assert row["delay_p90_hours"] == pytest.approx(19.0)
    assert row["month"] == date(2031, 3, 1)


def use(use_id, started, ended, device="DV-0001", site="lakeside", zone="Europe/Zurich"):
    return {
        "use_id": use_id,
        "site": site,
        "device": device,
        "timezone": zone,
        "started_at": started,
        "ended_at": ended,
        "epoch": 0,
        "session": 1,
        "stretch": 0,
        "minutes_observed": 60,
        "begins_with_check": True,
        "clock_uncertain": False,
        "clock_steps": 0,
        "clock_carried_minutes": 0,
        "last_export_at": ended,
        "later_session": False,
    }


def rang(use_id, code, at, device="DV-0001", site="lakeside"):
    return {
        "use_id": use_id,
        "site": site,
        "device": device,
        "code": code,
        "started_at": at,
        "ended_at": at + timedelta(minutes=5),
        "minutes": 5,
        "minutes_to_clear": 5,
    }


def quality(device, day, minutes, site="lakeside"):
    return {
        "scope": "device_day",
        "site": site,
        "device": device,
        "day": day,
        "minutes_observed": minutes,
    }


def test_uses_and_alerts_count_in_the_local_month_they_began(nothing, tmp_path):
    new_year = datetime(2030, 12, 31, 23, 30, tzinfo=UTC)  # 00:30 on 1 January in Zurich
    nothing.put("use", [use("u", new_year, new_year + timedelta(hours=2))])
    nothing.put("use_alert", [rang("u", "battery_low", new_year), rang("u", "self_check_failed", new_year)])
    nothing.put("data_quality", [quality("DV-0001", date(2031, 1, 1), 90)])
    found = asked(nothing, tmp_path, "FROM device_use")
    assert found.rows() == [("lakeside", "DV-0001", date(2031, 1, 1), 1, 1.5, 2, 1, 1)]


def test_hours_count_in_the_month_they_were_observed(nothing, tmp_path):
    end_of_march = datetime(2031, 3, 31, 12, tzinfo=UTC)
    nothing.put("use", [use("u", end_of_march, end_of_march + timedelta(days=1))])
    nothing.put("use_alert", [rang("u", "other:9", end_of_march)])
    nothing.put(
        "data_quality",
        [quality("DV-0001", date(2031, 3, 31), 600), quality("DV-0001", date(2031, 4, 1), 840)],
    )
    found = asked(nothing, tmp_path, "SELECT month, uses, hours, alerts FROM device_use")
    assert found.rows() == [(date(2031, 3, 1), 1, 10.0, 1), (date(2031, 4, 1), 0, 14.0, 0)]


def test_a_device_whose_logs_never_speak_of_alerts_has_null_not_nought(nothing, tmp_path):
    nothing.put(
        "use",
        [
            use("mute", MARCH, MARCH + timedelta(hours=1), device="DV-0001"),
            use("silent", MARCH, MARCH + timedelta(hours=1), device="DV-0002"),
        ],
    )
    nothing.drains(drain("m", alert_count=None), drain("s", alert_count=0))
    nothing.put(
        "drain_use",
        [
            {"drain_id": "m", "use_id": "mute", "from_at": MARCH, "until_at": MARCH + timedelta(hours=1)},
            {"drain_id": "s", "use_id": "silent", "from_at": MARCH, "until_at": MARCH + timedelta(hours=1)},
        ],
    )
    found = asked(nothing, tmp_path, "SELECT device, alerts, failed_checks, battery_low FROM device_use")
    assert found.rows() == [("DV-0001", None, None, None), ("DV-0002", 0, 0, 0)]


def test_the_same_serial_at_two_sites_is_two_devices(nothing, tmp_path):
    nothing.put(
        "use",
        [
            use("u", MARCH, MARCH + timedelta(hours=1)),
            use("v", MARCH, MARCH + timedelta(hours=1), site="north", zone="Europe/Helsinki"),
        ],
    )
    found = asked(nothing, tmp_path, "SELECT site, uses FROM device_use")
    assert found.rows() == [("lakeside", 1), ("north", 1)]
