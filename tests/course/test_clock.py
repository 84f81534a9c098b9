"""What a wall clock says about true time, in the zones and on the nights where that is hard."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.course.device_logs import (
    MINUTE_LONG,
    Export,
    Line,
    ahead,
    cut,
    following,
    resolved,
    shown,
    steady,
    truth,
    until,
    utc,
    written,
)

SPRING = utc(2031, 3, 30, 1, 0)  # Europe/Zurich goes from UTC+1 to UTC+2
AUTUMN = utc(2031, 10, 26, 1, 0)  # and back
WITH_AND_WITHOUT = pytest.mark.parametrize("record", [48211, None], ids=["with record", "without record"])


def around(change, before=180, after=180):
    return steady(change - before * MINUTE_LONG, before + after)


def steps(result):
    return result.minutes.filter("clock_step")["minute"].to_list()


@WITH_AND_WITHOUT
@pytest.mark.parametrize("change", [SPRING, AUTUMN], ids=["spring", "autumn"])
def test_a_clock_that_follows_summer_time_is_dated_through_the_change(change, record):
    lines = written(around(change), following(), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert not steps(result)
    assert not result.minutes["clock_uncertain"].any()


@WITH_AND_WITHOUT
@pytest.mark.parametrize(("change", "offset"), [(SPRING, 60), (AUTUMN, 120)], ids=["spring", "autumn"])
def test_a_clock_that_goes_on_through_the_change_keeps_its_old_offset(change, offset, record):
    lines = written(around(change), ahead(offset), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert not result.minutes["clock_uncertain"].any()


@WITH_AND_WITHOUT
@pytest.mark.parametrize(("change", "offset"), [(SPRING, 60), (AUTUMN, 120)], ids=["spring", "autumn"])
def test_a_late_correction_counts_as_one_clock_step(change, offset, record):
    corrected = change + 100 * MINUTE_LONG
    lines = written(around(change), until(corrected, ahead(offset), following()), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert steps(result) == [corrected]
    assert result.uses["clock_steps"].to_list() == [1]
    assert result.quality["clock_steps"].sum() == 1


@WITH_AND_WITHOUT
@pytest.mark.parametrize(("change", "offset"), [(SPRING, 60), (AUTUMN, 120)], ids=["spring", "autumn"])
def test_an_export_that_shows_the_correction_dates_the_minutes_of_the_one_before(change, offset, record):
    corrected = change + 100 * MINUTE_LONG
    lines = written(around(change), until(corrected, ahead(offset), following()), record=record)
    result = resolved(*cut(lines, [(0, 240), (230, 360)]))
    assert shown(result) == truth(lines)
    assert steps(result) == [corrected]


def test_a_log_that_starts_after_an_unfollowed_autumn_change_is_dated_by_its_correction():
    corrected = AUTUMN + 600 * MINUTE_LONG
    lines = written(steady(AUTUMN + 400 * MINUTE_LONG, 400), until(corrected, ahead(120), following()))
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert steps(result) == [corrected]


@WITH_AND_WITHOUT
@pytest.mark.parametrize("change", [SPRING, AUTUMN], ids=["spring", "autumn"])
def test_a_clock_said_not_to_follow_stays_on_standard_time(change, record):
    lines = written(around(change), ahead(60), record=record)
    result = resolved(Export(lines, follows=False))
    assert shown(result) == truth(lines)
    assert not steps(result)


def test_a_clock_said_not_to_follow_is_on_standard_time_in_july_too():
    lines = written(steady(utc(2031, 7, 1, 12, 0), 5), ahead(60))
    assert shown(resolved(Export(lines, follows=False))) == truth(lines)


@WITH_AND_WITHOUT
def test_local_offset_is_the_sites_own_even_if_the_clock_lags(record):
    lines = written(around(SPRING, 5, 5), ahead(60), record=record)
    assert resolved(Export(lines)).minutes["utc_offset_minutes"].to_list() == [60] * 5 + [120] * 5


@WITH_AND_WITHOUT
def test_a_log_that_starts_in_the_repeated_hour_is_told_apart_by_the_fall_of_the_clock(record):
    lines = written(steady(AUTUMN - 20 * MINUTE_LONG, 200), following(), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert not result.minutes["clock_uncertain"].any()


@WITH_AND_WITHOUT
def test_a_log_that_starts_in_the_second_pass_is_dated_by_what_follows_on(record):
    lines = written(steady(AUTUMN + 20 * MINUTE_LONG, 200), following(), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert not result.minutes["clock_uncertain"].any()


@WITH_AND_WITHOUT
def test_a_log_that_lies_inside_the_repeated_hour_is_dated_early_and_uncertain(record):
    lines = written(steady(AUTUMN - 40 * MINUTE_LONG, 20), following(), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert result.minutes["clock_uncertain"].all()
    assert result.uses["clock_uncertain"].all()


@WITH_AND_WITHOUT
def test_a_device_off_over_the_change_is_taken_to_follow_and_doubted(record):
    instants = [i for i in around(SPRING) if not abs(i - SPRING) < 60 * MINUTE_LONG]
    lines = written(instants, following(), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    doubted = result.minutes.filter("clock_uncertain")["minute"]
    assert doubted.to_list() == [i for i in instants if i > SPRING]
    assert not resolved(Export(lines, follows=True)).minutes["clock_uncertain"].any()


def test_the_next_session_after_a_doubted_one_is_not_doubted():
    off = [i for i in around(SPRING) if not abs(i - SPRING) < 60 * MINUTE_LONG]
    lines = written(off, following())
    later = written(
        steady(off[-1] + MINUTE_LONG, 50), following(), record=len(off) + 1, session=2, first=len(off)
    )
    result = resolved(Export(lines + later))
    assert shown(result) == truth(lines + later)
    assert result.uses.sort("started_at")["clock_uncertain"].to_list() == [True, False]


@WITH_AND_WITHOUT
def test_a_clock_that_falls_in_a_hole_over_the_autumn_change_was_seen_to_follow(record):
    instants = steady(AUTUMN - 90 * MINUTE_LONG, 60) + steady(AUTUMN + 10 * MINUTE_LONG, 60)
    lines = written(instants, following(), record=record)
    result = resolved(Export(lines))
    assert shown(result) == truth(lines)
    assert not result.minutes["clock_uncertain"].any()


@WITH_AND_WITHOUT
def test_a_lagging_device_that_was_off_is_dated_on_a_guess_until_its_correction_is_seen(record):
    corrected = AUTUMN + 300 * MINUTE_LONG
    instants = steady(AUTUMN - 100 * MINUTE_LONG, 200) + steady(AUTUMN + 170 * MINUTE_LONG, 200)
    lines = written(instants, until(corrected, ahead(120), following()), record=record)
    seen = resolved(Export(lines))
    assert shown(seen) == truth(lines)
    assert not seen.minutes["clock_uncertain"].any()
    unseen = resolved(Export(lines[:300]))
    assert shown(unseen) == truth(lines[:300])
    assert unseen.minutes["clock_uncertain"].to_list() == [False] * 200 + [True] * 100


@WITH_AND_WITHOUT
def test_a_minute_shown_again_with_other_readings_lies_an_hour_later(record):
    instants = steady(AUTUMN - 100 * MINUTE_LONG, 100) + steady(AUTUMN + 59 * MINUTE_LONG, 60)
    lines = written(instants, following(), record=record)
    assert shown(resolved(Export(lines))) == truth(lines)


def test_rows_missing_from_an_export_are_no_clock_step():
    lines = written(around(SPRING, 600, 0), following())
    result = resolved(Export(lines[:100] + lines[200:]))
    assert not steps(result)
    assert result.quality["minutes_missing"].sum() == 100


def test_a_leap_of_the_clock_with_records_in_sequence_may_be_a_step_and_is_counted():
    instants = steady(utc(2031, 5, 1, 6, 0), 60) + steady(utc(2031, 5, 1, 10, 0), 60)
    lines = written(instants, following())
    result = resolved(Export(lines))
    assert steps(result) == [utc(2031, 5, 1, 10, 0)]
    assert result.quality["minutes_missing"].sum() == 180


def test_a_leap_of_three_days_with_records_in_sequence_may_be_a_step_too():
    set_on = utc(2031, 5, 1, 12, 0)
    lines = written(steady(utc(2031, 5, 1, 6, 0), 720), until(set_on, ahead(120), ahead(120 + 72 * 60)))
    result = resolved(Export(lines))
    assert steps(result) == [set_on + 72 * 60 * MINUTE_LONG]
    assert result.uses["clock_steps"].to_list() == [0, 1]


def test_a_device_that_was_off_between_two_patients_made_no_clock_step():
    first = written(steady(utc(2031, 5, 1, 6, 0), 60), following())
    second = written(steady(utc(2031, 5, 1, 10, 0), 60), following(), record=61, session=2, first=60)
    assert not steps(resolved(Export(first + second)))


@WITH_AND_WITHOUT
def test_a_clock_set_back_three_hours_shows_the_later_rows_and_hides_no_count(record):
    set_back = utc(2031, 5, 1, 12, 0)
    lines = written(
        steady(utc(2031, 5, 1, 6, 0), 720), until(set_back, ahead(120), ahead(-60)), record=record
    )
    result = resolved(Export(lines))
    assert len(result.minutes) == 720 - 180
    assert result.quality["minutes_hidden"].sum() == 180
    assert steps(result) == [set_back - 180 * MINUTE_LONG]
    later = {line.pressure for line in lines[360:]}
    assert later <= set(shown(result))


@pytest.mark.parametrize(
    "pieces", [[(0, 360), (360, 720)], [(0, 400), (380, 720)], [(0, 300), (240, 500), (490, 720)]]
)
@WITH_AND_WITHOUT
def test_a_clock_set_back_between_or_inside_exports_hides_the_same_rows(pieces, record):
    set_back = utc(2031, 5, 1, 12, 0)
    lines = written(
        steady(utc(2031, 5, 1, 6, 0), 720), until(set_back, ahead(120), ahead(-60)), record=record
    )
    whole, parts = resolved(Export(lines)), resolved(*cut(lines, pieces))
    assert shown(parts) == shown(whole)


def test_a_clock_set_forward_three_hours_is_counted_and_nothing_is_hidden():
    set_on = utc(2031, 5, 1, 12, 0)
    lines = written(steady(utc(2031, 5, 1, 6, 0), 720), until(set_on, ahead(120), ahead(300)))
    result = resolved(Export(lines))
    assert len(result.minutes) == 720
    assert steps(result) == [set_on + 180 * MINUTE_LONG]
    assert result.quality["minutes_hidden"].sum() == 0


def sizes(result):
    return result.minutes.filter("clock_step")["clock_step_minutes"].to_list()


@pytest.mark.parametrize(
    ("was", "now", "moved"), [(120, -60, -180), (120, 300, 180), (120, 119, -1), (60, 120, 60)]
)
def test_the_counter_tells_by_how_much_a_clock_was_set(was, now, moved):
    set_at = utc(2031, 5, 1, 12, 0)
    clock = until(set_at, ahead(was), ahead(now))
    result = resolved(Export(written(steady(utc(2031, 5, 1, 6, 0), 720), clock)))
    assert sizes(result) == [moved]


def test_the_size_of_a_step_counts_the_rows_the_log_lacks():
    set_at = utc(2031, 5, 1, 12, 0)
    lines = written(steady(utc(2031, 5, 1, 6, 0), 720), until(set_at, ahead(120), ahead(300)))
    assert sizes(resolved(Export(lines[:330] + lines[370:]))) == [180]


def test_without_a_counter_nobody_can_tell_how_far_a_clock_was_set_back():
    set_back = utc(2031, 5, 1, 12, 0)
    clock = until(set_back, ahead(120), ahead(-60))
    lines = written(steady(utc(2031, 5, 1, 6, 0), 720), clock, record=None)
    result = resolved(Export(lines))
    assert len(steps(result)) == 1
    assert sizes(result) == [None]


def test_a_clock_put_right_moves_no_time():
    corrected = SPRING + 100 * MINUTE_LONG
    lines = written(around(SPRING), until(corrected, ahead(60), following()))
    result = resolved(Export(lines))
    assert steps(result) == [corrected]
    assert sizes(result) == [0]


@WITH_AND_WITHOUT
def test_two_zones_for_one_clock_are_a_step_and_make_what_follows_uncertain(record):
    lines = written(steady(utc(2031, 5, 1, 6, 0), 600), ahead(120), record=record)
    early, late = cut(lines, [(0, 300), (300, 600)])
    result = resolved(early, replace(late, zone="Europe/London"))
    assert result.minutes["clock_step"].sum() == 1
    told = result.minutes.sort("pressure_mean_cmh2o", descending=True)["clock_uncertain"].to_list()
    assert told == [False] * 300 + [True] * 300
    assert sizes(result) == [60 if record else None]


def test_a_device_that_moved_to_another_zone_and_was_set_there_goes_on_without_a_step():
    moved = utc(2031, 5, 1, 12, 0)
    clock = until(moved, following(), following("Europe/London"))
    lines = written(steady(utc(2031, 5, 1, 6, 0), 720), clock)
    early, late = cut(lines, [(0, 360), (360, 720)])
    result = resolved(early, replace(late, zone="Europe/London"))
    assert shown(result) == truth(lines)
    assert not steps(result)
    assert not result.minutes["clock_uncertain"].any()


def test_exports_that_give_the_same_minutes_two_zones_contradict_one_another():
    lines = written(steady(utc(2031, 5, 1, 6, 0), 600), ahead(120))
    early, late = cut(lines, [(0, 400), (300, 600)])
    result = resolved(early, replace(late, zone="Europe/London"))
    assert result.quality["minutes_conflicting"].sum() == 100
    assert resolved(early, late).quality["minutes_conflicting"].sum() == 0


@WITH_AND_WITHOUT
@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("Australia/Lord_Howe", utc(2031, 4, 5, 15, 0)),  # half an hour back
        ("Australia/Lord_Howe", utc(2031, 10, 4, 15, 30)),  # half an hour on
        ("Africa/Cairo", utc(2031, 4, 24, 22, 0)),  # at midnight, on
        ("Africa/Cairo", utc(2031, 10, 30, 21, 0)),  # at midnight, back to 23:00 of the day before
        ("America/Havana", utc(2031, 11, 2, 5, 0)),  # at 01:00, back to midnight
        ("Asia/Kolkata", utc(2031, 3, 30, 1, 0)),  # never
    ],
)
def test_every_zone_has_its_own_changes(zone, change, record):
    lines = written(around(change, 200, 200), following(zone), record=record)
    result = resolved(Export(lines, zone=zone))
    assert shown(result) == truth(lines)
    assert not steps(result)
    assert not result.minutes["clock_uncertain"].any()
    assert result.quality["minutes_expected"].sum() == 400
    days = {line.truth: line.clock.date() for line in lines}
    assert set(result.quality["day"]) == set(days.values())


def test_a_clock_set_from_the_repeated_hour_into_a_skipped_one_is_still_read():
    lines = written(steady(AUTUMN - 30 * MINUTE_LONG, 10), following())
    lines += written(steady(SPRING, 10), ahead(60), record=11, first=10)
    result = resolved(Export(lines))
    assert len(result.minutes) == 20
    assert result.minutes["clock_step"].sum() == 1


def test_a_whole_night_of_lines_written_newest_first_reads_the_same():
    lines = written(around(AUTUMN), following())
    assert shown(resolved(Export(lines[::-1]))) == truth(lines)
    unnumbered = written(around(AUTUMN), following(), record=None)
    assert shown(resolved(Export(unnumbered[::-1]))) == truth(unnumbered)


CHANGES = {
    "Europe/Zurich": [SPRING, AUTUMN],
    "Australia/Lord_Howe": [utc(2031, 4, 5, 15, 0), utc(2031, 10, 4, 15, 30)],
    "Africa/Cairo": [utc(2031, 4, 24, 22, 0), utc(2031, 10, 30, 21, 0)],
}


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_log_without_holes_is_dated_exactly_whatever_its_clock_did_at_the_change(data):
    zone = data.draw(st.sampled_from(sorted(CHANGES)))
    change = data.draw(st.sampled_from(CHANGES[zone]))
    before, after = data.draw(st.integers(70, 300)), data.draw(st.integers(70, 300))
    official = following(zone)
    just_before = change - MINUTE_LONG
    old = int((official(just_before) - just_before.replace(tzinfo=None)) / MINUTE_LONG)
    corrected = change + data.draw(st.integers(0, after + 60)) * MINUTE_LONG
    record = data.draw(st.sampled_from([None, 1, 48211]))
    lines = written(around(change, before, after), until(corrected, ahead(old), official), record=record)
    result = resolved(Export(lines, zone=zone))
    assert shown(result) == truth(lines)
    assert steps(result) == [corrected] * (change < corrected < change + after * MINUTE_LONG)
    assert not result.minutes["clock_uncertain"].any()


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_log_with_holes_is_dated_exactly_where_it_does_not_say_uncertain(data):
    zone = data.draw(st.sampled_from(sorted(CHANGES)))
    change = data.draw(st.sampled_from(CHANGES[zone]))
    holes = data.draw(st.lists(st.tuples(st.integers(-200, 200), st.integers(1, 90)), max_size=4))
    gone = {change + (start + i) * MINUTE_LONG for start, length in holes for i in range(length)}
    instants = [instant for instant in around(change, 300, 300) if instant not in gone]
    record = data.draw(st.sampled_from([None, 48211]))
    lines = written(instants, following(zone), record=record)
    result = resolved(Export(lines, zone=zone))
    dated, true = shown(result), truth(lines)
    sure = result.minutes.filter(~pl.col("clock_uncertain"))["pressure_mean_cmh2o"].to_list()
    assert {known: dated[known] for known in sure} == {known: true[known] for known in sure}


@settings(max_examples=30, deadline=None)
@given(st.integers(-60, 400), st.integers(0, 60), st.sampled_from([None, 48211]))
def test_a_log_moved_by_whole_days_is_the_same_log_on_other_local_days(days, hole, record):
    """Local times move by the days, and UTC by an hour less or more across a change of the official time."""
    start = utc(2031, 5, 7, 8, 0)
    local = start.replace(tzinfo=None)
    moved = local + timedelta(days=days)
    quiet = all(not (c - timedelta(days=1) < utc(*moved.timetuple()[:5]) < c) for c in (SPRING, AUTUMN))
    lines = written(steady(start, 180), lambda instant: instant.replace(tzinfo=None), record=record)
    lines = lines[:60] + lines[60 + hole :]
    later = [replace(line, clock=line.clock + timedelta(days=days)) for line in lines]
    assume(quiet)
    columns = ["record", "pressure_mean_cmh2o", "exports", "conflicting", "clock_step", "clock_uncertain"]
    here, there = (resolved(Export(told)).minutes for told in (lines, later))
    assert here.select(columns).equals(there.select(columns))
    shown_at = pl.col("minute") + pl.duration(minutes="utc_offset_minutes")
    assert (there.select(shown_at) - here.select(shown_at)).to_series().unique().to_list() == [
        timedelta(days=days)
    ]


def stays(*clocks: object, record: int | None = 1) -> list[Line]:
    """Uses of two hours, two days apart, of one device: each by its own clock."""
    lines: list[Line] = []
    for k, clock in enumerate(clocks):
        start = utc(2031, 5, 3 + 2 * k, 8, 0)
        number = None if record is None else record + len(lines)
        lines += written(steady(start, 120), clock, record=number, session=1 + k, first=len(lines))
    return lines


def carried(*clocks: object, record: int | None = 1) -> list[int | None]:
    found = resolved(Export(stays(*clocks, record=record)))
    return found.uses.sort("started_at")["clock_carried_minutes"].to_list()


def test_a_clock_set_back_is_carried_on_to_the_devices_later_uses_and_a_leap_is_not():
    at = [utc(2031, 5, 3 + 2 * k, 9, 30) for k in range(3)]
    back = until(at[0], ahead(120), ahead(75))
    assert carried(back, ahead(75), ahead(75)) == [0, -45, -45]
    assert carried(back, until(at[1], ahead(75), ahead(120)), ahead(120)) == [0, -45, -45]
    assert carried(until(at[0], ahead(75), ahead(120)), ahead(120)) == [0, 0]


def test_what_a_step_without_records_carried_is_unknown():
    back = until(utc(2031, 5, 3, 9, 30), ahead(120), ahead(115))
    assert carried(back, ahead(115), record=None) == [0, None]
