"""Exports of one device, some with a record counter and some without: one log, however it was cut."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from schemas.lake import RESOLVED, USE_TABLE
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

JUNE = utc(2031, 6, 5, 6, 0)
AUTUMN = utc(2031, 10, 26, 0, 0)
STEP = 120  # minutes into the log at which the clock is set back by 45
# A record, and what only a record can tell, is there or not.
READ = [name for name in RESOLVED.names if name not in {"exports", "record", "clock_step_minutes"}]
NAMED = [name for name in USE_TABLE.names if name not in {"last_export_at", "clock_carried_minutes"}]
DAYS = ["minutes_hidden", "minutes_observed", "minutes_conflicting", "clock_steps"]


def set_back(minutes: int = 300) -> list[Line]:
    clock = until(JUNE + STEP * MINUTE_LONG, ahead(120), ahead(75))
    return written(steady(JUNE, minutes), clock, record=500)


def bare(export: Export) -> Export:
    """The same export in a layout without a counter."""
    return replace(export, lines=[replace(line, record=None) for line in export.lines])


def mixed(exports: list[Export], without: list[bool]) -> list[Export]:
    return [bare(export) if lacks else export for export, lacks in zip(exports, without, strict=True)]


def assert_as_in_one_file(lines: list[Line], *exports: Export) -> None:
    whole, parts = resolved(Export(lines)), resolved(*exports)
    assert_frame_equal(parts.minutes.select(READ), whole.minutes.select(READ))
    assert_frame_equal(parts.uses.select(NAMED), whole.uses.select(NAMED))
    assert_frame_equal(parts.quality.select(DAYS), whole.quality.select(DAYS))


WITHOUT = pytest.mark.parametrize("without", [[True, False], [False, True]], ids=["bare first", "bare last"])


@WITHOUT
@pytest.mark.parametrize("at", range(STEP, STEP + 60, 5))
def test_a_clock_set_back_between_exports_with_and_without_a_counter_is_seen(at, without):
    lines = set_back()
    parts = mixed(cut(lines, [(0, at), (at, 300)]), without)
    assert_as_in_one_file(lines, *parts)
    assert resolved(*parts).quality["minutes_hidden"].sum() == 45


@WITHOUT
def test_a_device_that_still_remembers_minutes_repeats_them_in_either_layout(without):
    lines = set_back()
    assert_as_in_one_file(lines, *mixed(cut(lines, [(0, 150), (100, 300)]), without))


def test_a_piece_without_a_counter_between_two_with_one_is_put_where_it_belongs():
    lines = set_back(600)
    pieces = cut(lines, [(0, 120), (120, 240), (240, 600)])
    assert_as_in_one_file(lines, *mixed(pieces, [False, True, False]))
    assert_as_in_one_file(lines, *mixed(pieces, [True, False, True]))


def test_a_counter_whose_hole_was_written_without_one_after_the_clock_was_set_back():
    clock = until(JUNE + 300 * MINUTE_LONG, ahead(120), ahead(30))
    lines = written(steady(JUNE, 900), clock, record=1)
    pieces = cut(lines, [(0, 300), (300, 500), (500, 900)])
    assert_as_in_one_file(lines, *mixed(pieces, [False, True, False]))


@WITHOUT
def test_too_few_minutes_to_tell_leave_the_clock_uncertain(without):
    lines = set_back()
    for minutes, doubt in ((9, True), (10, False)):
        short = resolved(*mixed(cut(lines, [(0, 120), (120, 120 + minutes)]), without))
        assert short.uses["clock_uncertain"].to_list() == [doubt]
        assert short.minutes["clock_uncertain"].sum() == (minutes if doubt else 0)


@WITHOUT
def test_exports_of_which_half_agrees_leave_the_clock_uncertain(without):
    lines = written(steady(JUNE, 200), following())
    odd = [replace(line, pressure=line.pressure - 50) if i % 2 else line for i, line in enumerate(lines)]
    first = Export(odd[:150], JUNE + timedelta(days=1))
    result = resolved(*mixed([first, Export(lines, JUNE + timedelta(days=2))], without))
    assert result.minutes["clock_uncertain"].sum() == result.quality["minutes_conflicting"].sum() == 75


@WITHOUT
def test_the_repeated_hour_of_autumn_is_told_apart_in_either_layout(without):
    lines = written(steady(AUTUMN - 30 * MINUTE_LONG, 240), following())
    parts = mixed(cut(lines, [(0, 180), (45, 240)]), without)
    assert shown(resolved(*parts)) == truth(lines)
    assert_as_in_one_file(lines, *parts)


def test_a_reset_counter_and_patients_are_told_across_a_bare_export():
    before = written(steady(JUNE, 100), following(), record=900, session=7)
    after = written(steady(JUNE + 100 * MINUTE_LONG, 200), following(), record=1, session=1, first=100)
    lines = before + after
    parts = mixed(cut(lines, [(0, 130), (130, 220), (220, 300)]), [False, True, False])
    assert_as_in_one_file(lines, *parts)
    assert resolved(*parts).quality["counter_resets"].to_list() == [1]


def log() -> list[Line]:
    """A clock set back by 45 minutes, a hole, a second patient, and a clock that follows autumn."""
    first = set_back(260)
    second = written(
        steady(AUTUMN - 60 * MINUTE_LONG, 300), following(), record=first[-1].record + 1, session=2, first=260
    )
    return first + second


LOG = log()


@st.composite
def exports_of_either_layout(draw: st.DrawFn) -> list[Export]:
    cuts = sorted(draw(st.sets(st.integers(1, len(LOG) - 1), max_size=5)))
    starts, ends = [0, *cuts], [*cuts, len(LOG)]
    pieces = [(max(0, a - draw(st.integers(0, 150))), b) for a, b in zip(starts, ends, strict=True)]
    return mixed(cut(LOG, pieces), [draw(st.booleans()) for _ in pieces])


@settings(max_examples=25, deadline=None)
@given(exports_of_either_layout(), st.randoms(use_true_random=False))
def test_cutting_a_log_into_exports_of_either_layout_changes_nothing_that_is_not_in_doubt(exports, chance):
    chance.shuffle(exports)
    whole, parts = resolved(Export(LOG)), resolved(*exports)
    assert not whole.minutes["clock_uncertain"].any()
    assert not parts.minutes.filter("conflicting", ~pl.col("clock_uncertain")).height
    sure = parts.uses.filter(~pl.col("clock_uncertain"))
    mine = pl.col("use_id").is_in(sure["use_id"].implode())
    assert_frame_equal(parts.minutes.filter(mine).select(READ), whole.minutes.filter(mine).select(READ))
    assert_frame_equal(sure.select(NAMED), whole.uses.filter(mine).select(NAMED))
    if len(sure) == len(whole.uses):
        assert_frame_equal(parts.quality.select(DAYS), whole.quality.select(DAYS))
