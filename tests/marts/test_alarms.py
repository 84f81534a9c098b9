"""What counts as one alarm: alerts a few minutes apart, and those that two drains hear of one device."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from pipeline.definitions import load_definitions
from pipeline.marts import select

MARCH = datetime(2031, 3, 10, tzinfo=UTC)
APART = load_definitions().handling.alarm_apart


def drain(drain_id, **more):
    row = {
        "drain_id": drain_id,
        "site": "lakeside",
        "unit": "A",
        "linked": True,
        "shared_use": False,
        "uses": 1,
        "minutes_observed": 2880,
        "alerts_known_minutes": 2880,
        "alert_count": 1,
        "prolonged_leak": "no",
        "origin_at": MARCH,
        "origin_day": MARCH.date(),
    }
    return {**row, **more}


def rang(drain_id, start, end, code="canister_full", seen=True):
    """From and to in minutes of the stay."""
    return {
        "drain_id": drain_id,
        "code": code,
        "started_at": MARCH + timedelta(minutes=start),
        "ended_at": MARCH + timedelta(minutes=end),
        "minutes": end - start,
        "minutes_to_clear": end - start if seen else None,
    }


def asked(cohort, tmp_path, sql):
    target = cohort.publish(tmp_path / "drainledger.duckdb")
    return select(target, sql, tmp_path).rows()


ALARMS = "SELECT drain_id, alerts, minutes, minutes_to_clear, is_left_ringing FROM alarm"


def test_a_canister_that_rang_on_and_off_while_the_device_leant_is_one_alarm_left_ringing(nothing, tmp_path):
    nothing.drains(drain("a"))
    starts, lengths = (0, 8, 10, 12, 14, 28), (7, 1, 1, 1, 11, 9)
    nothing.put("alert", [rang("a", s, s + n) for s, n in zip(starts, lengths, strict=True)])
    assert asked(nothing, tmp_path, ALARMS) == [("a", 6, 37, 37, True)]


@pytest.mark.parametrize(("apart", "alarms"), [(APART - 1, 1), (APART, 2)])
def test_alerts_as_far_apart_as_the_definition_says_are_two_alarms(nothing, tmp_path, apart, alarms):
    nothing.drains(drain("a"))
    nothing.put("alert", [rang("a", 0, 5), rang("a", 5 + apart, 12 + apart)])
    assert len(asked(nothing, tmp_path, ALARMS)) == alarms


def test_alarms_of_two_kinds_or_of_two_drains_are_two(nothing, tmp_path):
    nothing.drains(drain("a"), drain("b"))
    nothing.put("alert", [rang("a", 0, 5), rang("a", 6, 9, "battery_low"), rang("b", 6, 9)])
    assert len(asked(nothing, tmp_path, ALARMS)) == 3


def test_an_alarm_whose_last_alert_was_not_heard_to_end_was_not_seen_to_clear(nothing, tmp_path):
    nothing.drains(drain("a"))
    nothing.put("alert", [rang("a", 0, 5), rang("a", 7, 20, seen=False)])
    assert asked(nothing, tmp_path, ALARMS) == [("a", 2, 20, None, True)]


def test_a_device_that_two_drains_share_rings_once_and_its_days_count_once(nothing, tmp_path):
    nothing.drains(drain("a", shared_use=True), drain("b", shared_use=True))
    span = {"use_id": "u", "from_at": MARCH, "until_at": MARCH + timedelta(days=2)}
    nothing.put("drain_use", [{"drain_id": d, **span} for d in "ab"])
    days = [{"day": (MARCH + timedelta(days=n)).date(), "day_no": n} for n in range(2)]
    nothing.put(
        "drain_day",
        [{"drain_id": d, "minutes_observed": 1440, "alert_count": 0, **day} for d in "ab" for day in days],
    )
    nothing.put("alert", [rang("a", 0, 20), rang("b", 0, 20)])
    told = "SELECT drains, alert_count, alarm_count, alarms_known_minutes, alerts_left_ringing FROM handling"
    assert asked(nothing, tmp_path, told) == [(2, 2, 1, 2880, 1)]
