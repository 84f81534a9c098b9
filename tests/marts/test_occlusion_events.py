"""What counts as one suspected occlusion: pieces of one event, a change of device, a device two drains share."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

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
        "minutes_observed": 2880,
        "occlusion_minutes": 60,
        "prolonged_leak": "no",
        "origin_at": MARCH,
        "origin_day": MARCH.date(),
    }
    return {**row, **more}


def piece(drain_id, start, end, grade="possible"):
    """From and to in minutes of the stay."""
    return {
        "drain_id": drain_id,
        "kind": "occlusion_suspected",
        "started_at": MARCH + timedelta(minutes=start),
        "ended_at": MARCH + timedelta(minutes=end),
        "minutes": end - start,
        "grade": grade,
    }


def served(drain_id, use_id, start, end):
    return {
        "drain_id": drain_id,
        "use_id": use_id,
        "from_at": MARCH + timedelta(minutes=start),
        "until_at": MARCH + timedelta(minutes=end),
    }


def days(drain_id, *minutes):
    return [
        {
            "drain_id": drain_id,
            "day": (MARCH + timedelta(days=number)).date(),
            "day_no": number,
            "minutes_observed": observed,
        }
        for number, observed in enumerate(minutes)
    ]


def counted(cohort, tmp_path):
    target = cohort.publish(tmp_path / "drainledger.duckdb")
    return select(target, "FROM suspected_occlusions", tmp_path)


def graded(cohort, tmp_path):
    row = counted(cohort, tmp_path).row(0, named=True)
    return row["suspected"], row["probable"], row["annotated"]


def test_pieces_that_touch_are_one_event_of_the_grade_that_reaches_farthest(nothing, tmp_path):
    nothing.drains(drain("a"))
    nothing.put("period", [piece("a", 240, 247), piece("a", 247, 337, "annotated")])
    assert graded(nothing, tmp_path) == (1, 0, 1)


@pytest.mark.parametrize(("apart", "events"), [(0, 1), (59, 1), (60, 2), (600, 2)])
def test_pieces_an_hour_apart_are_two_events(nothing, tmp_path, apart, events):
    nothing.drains(drain("a"))
    nothing.put("period", [piece("a", 100, 140, "probable"), piece("a", 140 + apart, 200 + apart)])
    assert graded(nothing, tmp_path) == (events, 1, 0)


def test_a_long_piece_reaches_past_a_short_one_inside_it(nothing, tmp_path):
    nothing.drains(drain("a"))
    nothing.put(
        "period",
        [piece("a", 100, 600, "annotated"), piece("a", 150, 190, "probable"), piece("a", 620, 660)],
    )
    assert graded(nothing, tmp_path) == (1, 0, 1)


def test_each_piece_is_near_the_one_before_and_all_are_one(nothing, tmp_path):
    nothing.drains(drain("a"))
    nothing.put("period", [piece("a", 80 * i, 80 * i + 30) for i in range(5)])
    assert graded(nothing, tmp_path) == (1, 0, 0)


def test_pieces_of_two_drains_are_two_events(nothing, tmp_path):
    nothing.drains(drain("a"), drain("b"))
    nothing.put("period", [piece("a", 100, 140), piece("b", 100, 140)])
    row = counted(nothing, tmp_path).row(0, named=True)
    assert (row["suspected"], row["drains_suspected"], row["assessed_minutes"]) == (2, 2, 5760)


def test_a_note_that_a_change_of_device_cut_in_two_is_one_event(nothing, tmp_path):
    nothing.drains(drain("a", uses=2))
    nothing.put("drain_use", [served("a", "u1", 0, 1000), served("a", "u2", 1300, 2880)])
    nothing.put("period", [piece("a", 900, 1000, "annotated"), piece("a", 1300, 1400, "annotated")])
    assert graded(nothing, tmp_path) == (1, 0, 1)


def test_an_hour_watched_beside_the_hole_parts_two_events(nothing, tmp_path):
    nothing.drains(drain("a", uses=2))
    nothing.put("drain_use", [served("a", "u1", 0, 1000), served("a", "u2", 1300, 2880)])
    nothing.put("period", [piece("a", 900, 970, "annotated"), piece("a", 1330, 1400, "annotated")])
    assert graded(nothing, tmp_path) == (2, 0, 2)


def test_a_device_that_two_drains_share_counts_once_in_events_and_in_days(nothing, tmp_path):
    nothing.drains(
        drain("a", shared_use=True, operation_id="op"),
        drain("b", shared_use=True, operation_id="op", unit="B"),
        drain("c", operation_id="op", unit="B", minutes_observed=1440),
    )
    nothing.put(
        "drain_use", [served("a", "u", 0, 2880), served("b", "u", 0, 2000), served("c", "w", 0, 1440)]
    )
    nothing.put("drain_day", [*days("a", 1440, 1440), *days("b", 1440, 560), *days("c", 1440)])
    nothing.put("period", [piece("a", 100, 140, "probable"), piece("b", 100, 140, "probable")])
    found = counted(nothing, tmp_path).select(
        "unit", "drains", "drains_assessed", "drains_suspected", "assessed_minutes", "suspected", "probable"
    )
    assert found.rows() == [("A", 1, 1, 1, 2880, 1, 1), ("B", 2, 1, 0, 1440, 0, 0)]


def note(drain_id, start, end, against, kind="confirmed_occlusion"):
    return {
        "drain_id": drain_id,
        "kind": kind,
        "started_at": MARCH + timedelta(minutes=start),
        "ended_at": None if end is None else MARCH + timedelta(minutes=end),
        "minutes": 1 if end is None else end - start,
        "minutes_against_log": against,
    }


@pytest.mark.parametrize(
    ("notes", "against"),
    [
        ([note("a", 100, 160, 0)], 0),
        ([note("a", 100, 160, 12)], 1),
        ([note("a", 100, None, 1)], 1),
        ([note("a", 100, 160, 0), note("a", 700, 760, 60)], 0),
        ([note("a", 100, 160, 0), note("a", 120, 130, 9, "clamp_trial")], 0),
        ([note("b", 100, 160, 60)], 0),
    ],
)
def test_an_event_that_staff_noted_against_the_log_says_so(nothing, tmp_path, notes, against):
    nothing.drains(drain("a"), drain("b"))
    nothing.put("annotation", notes)
    nothing.put("period", [piece("a", 100, 160, "annotated"), piece("a", 160, 200), piece("b", 100, 160)])
    row = counted(nothing, tmp_path).row(0, named=True)
    assert (row["suspected"], row["annotated"], row["annotated_against_log"]) == (2, 1, against)


def test_drains_that_follow_each_other_on_one_device_do_not_share_it(nothing, tmp_path):
    nothing.drains(drain("a"), drain("b"))
    nothing.put("drain_use", [served("a", "u", 0, 1000), served("b", "u", 1000, 2880)])
    nothing.put("period", [piece("a", 950, 1000), piece("b", 1000, 1050)])
    row = counted(nothing, tmp_path).row(0, named=True)
    assert (row["suspected"], row["drains_assessed"], row["assessed_minutes"]) == (2, 2, 5760)
