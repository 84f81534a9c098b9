"""Exports without a record counter: minutes told again, or new minutes under old times?"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from polars.testing import assert_frame_equal

from schemas.lake import RESOLVED
from tests.course.device_logs import (
    MINUTE_LONG,
    Export,
    Line,
    ahead,
    cut,
    following,
    resolved,
    steady,
    until,
    utc,
    written,
)

JUNE = utc(2031, 6, 5, 6, 0)
STEP = 120  # minutes into the log at which the clock is set back by 45
READ = [name for name in RESOLVED.names if name != "exports"]


def set_back(minutes: int = 300) -> list[Line]:
    clock = until(JUNE + STEP * MINUTE_LONG, ahead(120), ahead(75))
    return written(steady(JUNE, minutes), clock, record=None)


def counts(result) -> dict[str, int]:
    names = ["minutes_conflicting", "minutes_hidden", "clock_steps"]
    return result.quality.select(names).sum().row(0, named=True)


def assert_as_in_one_file(lines, *exports) -> None:
    whole, parts = resolved(Export(lines)), resolved(*exports)
    assert_frame_equal(parts.minutes.select(READ), whole.minutes.select(READ))
    assert (
        counts(parts) == counts(whole) == {"minutes_conflicting": 0, "minutes_hidden": 45, "clock_steps": 1}
    )


@pytest.mark.parametrize("at", range(STEP, STEP + 60, 4))
def test_a_clock_set_back_is_seen_wherever_the_exports_meet(at):
    lines = set_back()
    assert_as_in_one_file(lines, *cut(lines, [(0, at), (at, 300)]))


@pytest.mark.parametrize(
    "pieces", [[(0, 80), (80, 120), (120, 135), (135, 300)], [(0, 130), (110, 150), (90, 300)]]
)
def test_a_clock_set_back_is_seen_over_many_exports(pieces):
    lines = set_back()
    assert_as_in_one_file(lines, *cut(lines, pieces))


def test_copies_of_an_export_are_no_more_minutes_than_one():
    lines = set_back()
    assert_as_in_one_file(lines, *cut(lines, [(0, 120), (0, 120), (120, 300), (120, 300)]))
    few = [*cut(lines, [(0, 120)]) * 5, *cut(lines, [(120, 125)])]
    few = [replace(export, name=str(i)) for i, export in enumerate(few)]
    assert resolved(*few).uses["clock_uncertain"].to_list() == [True]


def test_far_back_over_several_exports_is_one_step():
    clock = until(JUNE + 700 * MINUTE_LONG, ahead(720), ahead(120))
    lines = written(steady(JUNE, 1400), clock, record=None)
    pieces = [(0, 200), (200, 400), (400, 700), (700, 800), (800, 1298), (1298, 1400)]
    result = resolved(*cut(lines, pieces))
    assert counts(result) == {"minutes_conflicting": 0, "minutes_hidden": 600, "clock_steps": 1}
    assert_frame_equal(result.minutes.select(READ), resolved(Export(lines)).minutes.select(READ))


@pytest.mark.parametrize("at", [120, 130])
def test_a_clock_set_back_between_two_patients_is_seen(at):
    lines = [replace(line, session=1 if i < STEP else 2) for i, line in enumerate(set_back())]
    whole, parts = resolved(Export(lines)), resolved(*cut(lines, [(0, at), (at, 300)]))
    assert_frame_equal(parts.minutes.select(READ), whole.minutes.select(READ))
    assert parts.uses["clock_carried_minutes"].to_list() == [0, None]
    assert counts(parts) == {"minutes_conflicting": 0, "minutes_hidden": 0, "clock_steps": 1}


def test_a_minute_in_which_the_session_changes_is_told_again_like_any_other():
    lines = written(steady(JUNE, 100), following(), record=None)
    change = replace(lines[49], session=2, pressure=-77.0)
    lines = [*lines[:50], change, *(replace(line, session=2) for line in lines[50:])]
    result = resolved(*cut(lines, [(0, 80), (40, 101)]), *cut(lines, [(50, 101)], name="again"))
    assert counts(result) == {"minutes_conflicting": 0, "minutes_hidden": 0, "clock_steps": 0}
    assert not result.minutes["clock_uncertain"].any()
    assert len(result.minutes) == 101


def test_a_patient_who_follows_within_the_minute_is_no_doubt():
    lines = written(steady(JUNE, 100), following(), record=None)
    second = [replace(line, session=2, pressure=line.pressure - 50) for line in lines[49:]]
    result = resolved(Export(lines[:50], JUNE + timedelta(days=1)), Export(second, JUNE + timedelta(days=2)))
    assert not result.minutes["clock_uncertain"].any()
    assert counts(result) == {"minutes_conflicting": 0, "minutes_hidden": 0, "clock_steps": 0}


def test_blank_minutes_at_a_step_say_nothing_for_either():
    lines = [
        replace(line, pressure=None, state=None, alerts=None) if i in {100, 130, 131, 132} else line
        for i, line in enumerate(set_back())
    ]
    assert_as_in_one_file(lines, *cut(lines, [(0, 120), (120, 300)]))


def test_too_few_minutes_to_tell_leave_the_clock_uncertain():
    lines = set_back()
    for minutes, doubt in ((9, True), (10, False)):
        short = resolved(*cut(lines, [(0, 120), (120, 120 + minutes)]))
        assert short.uses["clock_uncertain"].to_list() == [doubt]
        assert short.minutes["clock_uncertain"].sum() == (minutes if doubt else 0)
        assert counts(short)["minutes_conflicting"] == (minutes if doubt else 0)


def changed(lines: list[Line], which: range) -> list[Line]:
    return [
        replace(line, pressure=line.pressure - 50) if i in which else line for i, line in enumerate(lines)
    ]


def test_a_few_minutes_that_differ_in_a_long_repetition_are_conflicts_and_no_doubt():
    lines = written(steady(JUNE, 200), following(), record=None)
    first = Export(changed(lines, range(50, 54))[:150], JUNE + timedelta(days=1))
    result = resolved(first, Export(lines, JUNE + timedelta(days=2)))
    assert counts(result) == {"minutes_conflicting": 4, "minutes_hidden": 0, "clock_steps": 0}
    assert not result.minutes["clock_uncertain"].any()


def test_exports_of_which_half_agrees_leave_the_clock_uncertain():
    lines = written(steady(JUNE, 200), following(), record=None)
    first = Export(changed(lines, range(0, 200, 2))[:150], JUNE + timedelta(days=1))
    result = resolved(first, Export(lines, JUNE + timedelta(days=2)))
    assert counts(result) == {"minutes_conflicting": 75, "minutes_hidden": 0, "clock_steps": 0}
    assert result.minutes["clock_uncertain"].sum() == 75


def test_a_repetition_with_columns_of_its_own_is_one():
    lines = written(steady(JUNE, 200), following(), record=None)
    bare = [replace(line, pressure=None) for line in lines]
    result = resolved(
        Export(bare[:150], JUNE + timedelta(days=1)), Export(lines[100:], JUNE + timedelta(days=2))
    )
    assert counts(result) == {"minutes_conflicting": 0, "minutes_hidden": 0, "clock_steps": 0}
    assert not result.minutes["clock_uncertain"].any()


@pytest.mark.parametrize(("every", "told"), [(4, True), (20, False)])
def test_what_a_dry_drain_says_minute_after_minute_is_no_sign_of_a_repetition(every, told):
    lines = [
        replace(line, pressure=-20.0 if i % every else -20.0 - i / 100) for i, line in enumerate(set_back())
    ]
    parts = cut(lines, [(0, 120), (120, 300)])
    if told:
        assert_as_in_one_file(lines, *parts)
    assert resolved(*parts).uses["clock_uncertain"].to_list() == [not told]


def test_an_older_piece_exported_later_is_not_taken_for_a_step():
    lines = written(steady(JUNE, 300), following(), record=None)
    late = Export(changed(lines, range(100, 140))[:140], JUNE + timedelta(days=2))
    result = resolved(Export(lines[100:], JUNE + timedelta(days=1)), late)
    assert counts(result) == {"minutes_conflicting": 40, "minutes_hidden": 0, "clock_steps": 0}
    assert result.uses["clock_uncertain"].to_list() == [True]


def test_a_minute_half_told_by_the_export_made_in_it_is_no_doubt():
    lines = written(steady(JUNE, 100), following(), record=None)
    half = [*lines[:49], replace(lines[49], pressure=-7.0)]
    first, second = Export(half, JUNE + timedelta(days=1)), Export(lines[49:], JUNE + timedelta(days=2))
    result = resolved(first, second)
    assert not result.minutes["clock_uncertain"].any()
    assert counts(result) == {"minutes_conflicting": 1, "minutes_hidden": 0, "clock_steps": 0}
