"""Overlapping exports come together into the same minutes, however the log was cut, named or ordered."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.course.resolve import resolve
from pipeline.definitions import load_definitions
from schemas.errors import InputError
from schemas.lake import LOAD_FILE, MINUTE, QUALITY_DAY, RESOLVED, TRACE, USE_TABLE
from tests.course.device_logs import (
    MINUTE_LONG,
    Export,
    Line,
    ahead,
    cut,
    following,
    frames,
    resolved,
    shown,
    steady,
    truth,
    until,
    utc,
    written,
)

DAY = timedelta(days=1)
MAY = utc(2031, 5, 1, 6, 0)
AUTUMN = utc(2031, 10, 26, 1, 0)
WITH_AND_WITHOUT = pytest.mark.parametrize("record", [48211, None], ids=["with record", "without record"])


def off(instants, start, minutes):
    """The device was off for so many of these minutes."""
    return instants[:start] + instants[start + minutes :]


def long_log() -> list[Line]:
    """A night of autumn, an unfollowed change, service, a clock set back and forward, two patients."""
    night = written(steady(AUTUMN - 100 * MINUTE_LONG, 300), following(), record=5000)
    lagging = until(utc(2032, 3, 28, 3, 0), ahead(60), ahead(120))
    spring = written(
        off(steady(utc(2032, 3, 28, 0, 0), 250), 60, 30), lagging, record=5300, session=2, first=300
    )
    after_service = written(steady(utc(2032, 4, 2, 8, 0), 80), ahead(120), record=1, session=1, first=600)
    set_back = until(utc(2032, 4, 2, 10, 0), ahead(120), ahead(-60))
    clumsy = written(steady(utc(2032, 4, 2, 9, 20), 120), set_back, record=81, session=2, first=700)
    return night + spring + after_service + clumsy


LOG = long_log()
UNNUMBERED = [
    replace(line, record=None)
    for line in written(steady(AUTUMN - 150 * MINUTE_LONG, 300), following(), record=None)
    + written(steady(utc(2031, 10, 27, 9, 0), 100), following(), record=None, session=2, first=300)
]


def stepped_log() -> list[Line]:
    """Without records: a clock set back by 45 minutes, and one that goes on through autumn until corrected."""
    set_back = until(MAY + 110 * MINUTE_LONG, ahead(120), ahead(75))
    lagging = until(AUTUMN + 240 * MINUTE_LONG, ahead(120), ahead(60))
    may = written(steady(MAY, 260), set_back, record=None, first=400)
    autumn = written(steady(AUTUMN - 60 * MINUTE_LONG, 450), lagging, record=None, session=2, first=660)
    return may + autumn


STEPPED = stepped_log()


@st.composite
def overlapping_pieces(draw: st.DrawFn, length: int) -> list[tuple[int, int]]:
    """A log cut at any minutes into exports with any overlap, leaving nothing out."""
    cuts = sorted(draw(st.sets(st.integers(1, length - 1), max_size=5)))
    overlaps = draw(st.lists(st.integers(0, 150), min_size=len(cuts) + 1, max_size=len(cuts) + 1))
    starts, ends = [0, *cuts], [*cuts, length]
    return [(max(0, a - over), b) for a, b, over in zip(starts, ends, overlaps, strict=True)]


READ = [name for name in RESOLVED.names if name not in {"exports"}]
NAMED = [name for name in USE_TABLE.names if name != "last_export_at"]


@settings(max_examples=40, deadline=None)
@given(overlapping_pieces(len(LOG)), st.randoms(use_true_random=False))
def test_cutting_a_log_into_exports_changes_neither_readings_nor_uses(pieces, chance):
    exports = cut(LOG, pieces)
    chance.shuffle(exports)
    whole, parts = resolved(Export(LOG)), resolved(*exports)
    assert_frame_equal(parts.minutes.select(READ), whole.minutes.select(READ))
    assert_frame_equal(parts.uses.select(NAMED), whole.uses.select(NAMED))
    hidden = ["minutes_hidden", "minutes_expected", "minutes_observed", "clock_steps"]
    assert_frame_equal(parts.quality.select(hidden), whole.quality.select(hidden))


@settings(max_examples=30, deadline=None)
@given(overlapping_pieces(len(UNNUMBERED)))
def test_cutting_a_log_without_records_changes_nothing_outside_a_lone_repeated_hour(pieces):
    parts = resolved(*cut(UNNUMBERED, pieces))
    dated = shown(parts)
    sure = parts.minutes.filter(~pl.col("clock_uncertain"))["pressure_mean_cmh2o"].to_list()
    true = truth(UNNUMBERED)
    assert {pressure: dated[pressure] for pressure in sure} == {pressure: true[pressure] for pressure in sure}
    assert len(parts.minutes) + parts.quality["minutes_hidden"].sum() == len(UNNUMBERED)


@settings(max_examples=30, deadline=None)
@given(overlapping_pieces(len(STEPPED)), st.randoms(use_true_random=False))
def test_cutting_a_log_without_records_at_a_step_of_its_clock_changes_nothing_that_is_not_in_doubt(
    pieces, chance
):
    exports = cut(STEPPED, pieces)
    chance.shuffle(exports)
    whole, parts = resolved(Export(STEPPED)), resolved(*exports)
    assert whole.quality["clock_steps"].sum() == 2
    assert whole.quality["minutes_hidden"].sum() == 45
    assert not whole.minutes["clock_uncertain"].any()
    assert not parts.minutes.filter("conflicting", ~pl.col("clock_uncertain")).height
    sure = parts.uses.filter(~pl.col("clock_uncertain"))
    mine = pl.col("use_id").is_in(sure["use_id"].implode())
    assert_frame_equal(parts.minutes.filter(mine).select(READ), whole.minutes.filter(mine).select(READ))
    assert_frame_equal(sure.select(NAMED), whole.uses.filter(mine).select(NAMED))
    if len(sure) == 2:
        hidden = ["minutes_hidden", "minutes_expected", "minutes_observed", "clock_steps"]
        assert_frame_equal(parts.quality.select(hidden), whole.quality.select(hidden))


@settings(max_examples=25, deadline=None)
@given(st.data())
def test_a_device_is_read_alike_alone_and_among_others_in_any_order(data):
    exports = cut(LOG, data.draw(overlapping_pieces(len(LOG))))
    other = [
        replace(e, device="AA-9") for e in cut(UNNUMBERED, data.draw(overlapping_pieces(len(UNNUMBERED))))
    ]
    third = [replace(e, site="north", zone="Europe/Helsinki") for e in exports]
    stepped = [replace(e, device="ZZ-9") for e in cut(STEPPED, data.draw(overlapping_pieces(len(STEPPED))))]
    minutes, traces, files = frames(exports + other + third + stepped)
    seed = data.draw(st.integers(0, 2**32))
    together = resolve(
        minutes.sample(fraction=1, shuffle=True, seed=seed),
        traces,
        files.sample(fraction=1, shuffle=True, seed=seed),
        load_definitions(),
    )
    for device, own in (("DV-1", exports), ("ZZ-9", stepped)):
        alone = resolved(*own)
        mine = (pl.col("site") == "lakeside") & (pl.col("device") == device)
        assert_frame_equal(together.minutes.filter(mine), alone.minutes)
        assert_frame_equal(together.uses.filter(mine), alone.uses)
        assert_frame_equal(together.quality.filter(mine), alone.quality)


@settings(max_examples=15, deadline=None)
@given(overlapping_pieces(len(LOG)), st.randoms(use_true_random=False))
def test_every_line_is_shown_or_counted_as_hidden_and_every_table_keeps_its_contract(pieces, chance):
    lines = [
        replace(
            line,
            pressure=chance.choice([line.pressure, None]),
            record=chance.choice([line.record] * 9 + [None]),
        )
        for line in LOG
    ]
    result = resolved(*cut(lines, pieces))
    RESOLVED.validate(result.minutes)
    USE_TABLE.validate(result.uses)
    QUALITY_DAY.validate(result.quality)
    assert result.minutes.equals(result.minutes.sort("use_id", "minute"))
    assert len(result.minutes) + result.quality["minutes_hidden"].sum() >= len(lines)
    assert (
        result.uses["minutes_observed"].sum()
        == len(result.minutes)
        == result.quality["minutes_observed"].sum()
    )


@WITH_AND_WITHOUT
def test_the_same_export_twice_changes_nothing(record):
    export = Export(written(steady(MAY, 50), following(), record=record))
    minutes, traces, files = frames([export])
    once = resolve(minutes, traces, files, load_definitions())
    twice = resolve(pl.concat([minutes, minutes]), traces, pl.concat([files, files]), load_definitions())
    assert_frame_equal(once.minutes, twice.minutes)
    assert_frame_equal(once.quality, twice.quality)


@WITH_AND_WITHOUT
def test_the_same_minutes_in_two_exports_overlap_and_do_not_conflict(record):
    lines = written(steady(MAY, 50), following(), record=record)
    result = resolved(*cut(lines, [(0, 30), (20, 50)]))
    assert result.minutes["exports"].to_list() == [1] * 20 + [2] * 10 + [1] * 20
    assert result.quality["minutes_overlapping"].to_list() == [10]
    assert result.quality["minutes_conflicting"].to_list() == [0]


def one_minute(*copies, record=7):
    """What stands of one minute that came in several exports, the earliest first."""
    line = Line(MAY, following()(MAY), record, 1, None, None)
    exports = [
        Export([replace(line, **copy)], MAY + (i + 1) * DAY, name=str(i)) for i, copy in enumerate(copies)
    ]
    result = resolved(*exports)
    assert len(result.minutes) == 1
    return result.minutes.row(0, named=True)


@pytest.mark.parametrize("record", [7, None])
def test_a_value_beats_a_blank_whenever_it_was_exported(record):
    for copies in ([{"pressure": -8.0}, {}], [{}, {"pressure": -8.0}]):
        stands = one_minute(*copies, record=record)
        assert stands["pressure_mean_cmh2o"] == -8.0
        assert not stands["conflicting"]
        assert stands["exports"] == 2


@pytest.mark.parametrize("record", [7, None])
def test_of_two_values_the_later_export_stands_and_the_minute_conflicts(record):
    stands = one_minute({"pressure": -8.0}, {"pressure": -9.0}, {}, record=record)
    assert stands["pressure_mean_cmh2o"] == -9.0
    assert stands["conflicting"]


def test_exports_of_the_same_time_are_ranked_by_digest():
    line = Line(MAY, following()(MAY), 7, 1, None)
    exports = [Export([replace(line, pressure=float(-i))], MAY + DAY, name=str(i)) for i in range(1, 5)]
    greatest = max(exports, key=lambda export: export.digest)
    assert resolved(*exports).minutes["pressure_mean_cmh2o"].to_list() == [greatest.lines[0].pressure]


@pytest.mark.parametrize(
    ("copies", "stands", "conflicting"),
    [
        ([None, ()], [], False),
        ([(), None], [], False),
        ([("battery_low",), None], ["battery_low"], False),
        ([("battery_low",), ()], ["battery_low"], True),
        ([("battery_low",), ("line_leak",)], ["line_leak"], True),
        ([("battery_low", "line_leak"), ("line_leak", "battery_low")], ["line_leak", "battery_low"], False),
    ],
)
def test_an_alert_that_rang_beats_none_rang_beats_unsaid(copies, stands, conflicting):
    row = one_minute(*({"alerts": alerts} for alerts in copies))
    assert row["alerts"] == stands
    assert row["conflicting"] is conflicting


NAN = float("nan")


@pytest.mark.parametrize(
    ("copies", "rate", "samples", "conflicting"),
    [
        ([{"trace": (1.0, 2.0)}, {}], 4.0, [1.0, 2.0], False),
        ([{"trace": (1.0, NAN)}, {"trace": (1.0, NAN)}], 4.0, [1.0, NAN], False),
        ([{"trace": (1.0, 2.0)}, {"trace": (3.0,)}], 4.0, [3.0], True),
        ([{"trace": (1.0, 2.0), "rate": 8.0}, {"trace": (1.0, 2.0)}], 4.0, [1.0, 2.0], True),
        ([{"trace": (1.0, 2.0)}, {}, {"trace": (2.0, 2.0)}], 4.0, [2.0, 2.0], True),
    ],
)
def test_a_trace_is_one_field_rate_and_samples_together(copies, rate, samples, conflicting):
    row = one_minute(*copies)
    assert row["rate_hz"] == rate
    assert str(row["samples_cmh2o"]) == str(samples)
    assert row["conflicting"] is conflicting


def test_a_trace_stays_with_its_minute():
    lines = [
        replace(line, trace=(float(i), 0.5) if i % 3 == 0 else None)
        for i, line in enumerate(written(steady(MAY, 60), following()))
    ]
    result = resolved(*cut(lines, [(0, 40), (30, 60)]))
    samples = [None if s is None else s[0] for s in result.minutes["samples_cmh2o"].to_list()]
    assert samples == [float(i) if i % 3 == 0 else None for i in range(60)]
    assert not result.minutes["conflicting"].any()


def test_a_counter_that_starts_again_begins_a_new_epoch():
    before = written(steady(MAY, 50), following(), record=900)
    after = written(steady(MAY + 50 * MINUTE_LONG, 50), following(), record=1, first=50)
    result = resolved(*cut(before + after, [(0, 80), (45, 100)]))
    assert shown(result) == truth(before + after)
    assert result.minutes["epoch"].to_list() == [0] * 50 + [1] * 50
    assert len(result.uses) == 1


def test_counter_resets_and_minutes_in_doubt_are_counted_by_day():
    before = written(steady(MAY, 50), following(), record=900)
    reset = written(steady(MAY + DAY, 50), following(), record=1, first=50)
    again = written(steady(MAY + DAY + 50 * MINUTE_LONG, 50), following(), record=1, first=100)
    quality = resolved(*cut(before + reset + again, [(0, 80), (60, 120), (110, 150)])).quality
    assert quality["counter_resets"].to_list() == [0, 2]
    assert quality["minutes_uncertain"].to_list() == [0, 0]
    late = written(steady(AUTUMN, 30), following(), record=None)  # nothing tells which pass it is
    quality = resolved(Export(late)).quality
    assert quality["minutes_uncertain"].to_list() == [30]
    assert quality["counter_resets"].to_list() == [0]


def test_a_counter_reset_between_two_exports_is_seen_by_their_clocks():
    before = written(steady(MAY, 50), following(), record=900)
    after = written(steady(MAY + 10 * DAY, 50), following(), record=880, first=50)
    result = resolved(*cut(before + after, [(0, 50), (50, 100)]))
    assert result.uses["epoch"].to_list() == [0, 1]
    assert shown(result) == truth(before + after)


def test_a_session_number_that_comes_back_after_service_is_another_use():
    before = written(steady(MAY, 50), following(), record=900, session=3)
    after = written(steady(MAY + 30 * DAY, 50), following(), record=1, session=3, first=50)
    uses = resolved(*cut(before + after, [(0, 50), (50, 100)])).uses
    assert uses["use_id"].to_list() == [
        "lakeside:DV-1/3@20310501T0600Z",
        "lakeside:DV-1/3@20310531T0600Z",
    ]
    assert uses["epoch"].to_list() == [0, 1]
    assert uses["later_session"].to_list() == [True, False]


def test_a_hole_of_24_hours_ends_a_use_and_one_minute_less_does_not():
    for missing, count in ((1439, 1), (1440, 2)):
        instants = [*steady(MAY, 10), *steady(MAY + (10 + missing) * MINUTE_LONG, 10)]
        uses = resolved(Export(written(instants, following()))).uses
        assert len(uses) == count
        assert uses["stretch"].to_list() == list(range(count))


def test_a_late_file_that_fills_the_hole_makes_one_use_of_two():
    lines = written(steady(MAY, 3000), following())
    first, last, late = cut(lines, [(0, 200), (2800, 3000), (150, 2900)])
    assert len(resolved(first, last).uses) == 2
    assert len(resolved(first, last, late).uses) == 1


def test_a_use_begins_with_a_check_if_its_first_minute_is_one():
    lines = written(steady(MAY, 10), following())
    checked = [replace(line, state="check") for line in lines[:2]] + lines[2:]
    assert resolved(Export(checked)).uses["begins_with_check"].to_list() == [True]
    assert resolved(Export(lines)).uses["begins_with_check"].to_list() == [False]


def test_the_latest_export_of_the_device_is_told_with_each_use():
    first = Export(written(steady(MAY, 10), following()), MAY + DAY)
    second = Export(written(steady(MAY + 3 * DAY, 10), following(), record=11, session=2), MAY + 9 * DAY)
    assert resolved(first, second).uses["last_export_at"].to_list() == [MAY + 9 * DAY] * 2


@pytest.mark.parametrize("record", [900, None])
def test_the_same_session_going_on_after_a_hole_does_not_show_that_its_first_part_was_over(record):
    hole = MAY + 30 * 60 * MINUTE_LONG
    first = written(steady(MAY, 50), following(), record=record, session=17)
    on = None if record is None else record + 30 * 60
    again = written(steady(hole, 50), following(), record=on, session=17, first=50)
    third = None if on is None else on + 50
    later = written(steady(hole + 50 * MINUTE_LONG, 50), following(), record=third, session=18, first=100)
    uses = resolved(Export(first + again + later, MAY + 30 * DAY)).uses.sort("started_at")
    assert uses["session"].to_list() == [17, 17, 18]
    assert uses["later_session"].to_list() == [False, True, False]
    assert uses["last_export_at"].to_list() == [uses["ended_at"][0], MAY + 30 * DAY, MAY + 30 * DAY]


def test_the_same_session_going_on_is_known_across_a_counter_reset_inside_its_first_part():
    before = written(steady(MAY, 50), following(), record=900)
    reset = written(steady(MAY + 50 * MINUTE_LONG, 50), following(), record=1, first=50)
    again = written(steady(MAY + 2 * DAY, 50), following(), record=2900, first=100)
    uses = resolved(Export(before + reset + again)).uses.sort("started_at")
    assert uses["epoch"].to_list() == [0, 1]
    assert uses["later_session"].to_list() == [False, False]


def test_an_export_that_was_cut_off_does_not_show_that_a_use_was_over():
    lines = written(steady(MAY, 10), following())
    whole = Export(lines, MAY + DAY, complete=True)
    cut_off = Export(lines, MAY + 9 * DAY, complete=False)
    unsaid = Export(lines, MAY + 5 * DAY)
    end = MAY + 10 * MINUTE_LONG
    assert resolved(cut_off).uses["last_export_at"].to_list() == [end]
    assert resolved(cut_off, whole).uses["last_export_at"].to_list() == [MAY + DAY]
    assert resolved(cut_off, whole, unsaid).uses["last_export_at"].to_list() == [MAY + 5 * DAY]


def test_a_record_that_cannot_be_read_in_one_export_is_known_from_its_neighbours():
    lines = written(steady(MAY, 30), following(), record=100)
    damaged = [replace(line, record=None) if i in {0, 7, 8, 29} else line for i, line in enumerate(lines)]
    result = resolved(Export(lines, MAY + DAY), Export(damaged, MAY + 2 * DAY))
    assert result.minutes["record"].to_list() == list(range(100, 130))
    assert result.minutes["exports"].to_list() == [2] * 30
    assert not result.minutes["conflicting"].any()


def test_an_export_without_records_overlaps_with_one_that_has_them():
    lines = written(steady(MAY, 30), following(), record=100)
    bare = [replace(line, record=None) for line in lines]
    result = resolved(Export(lines, MAY + DAY), Export(bare, MAY + 2 * DAY))
    assert result.minutes["record"].to_list() == list(range(100, 130))
    assert result.minutes["exports"].to_list() == [2] * 30
    assert result.quality["minutes_hidden"].to_list() == [0]


def test_a_column_that_only_repeats_one_number_is_no_counter():
    lines = [replace(line, record=5) for line in written(steady(MAY, 60), following())]
    result = resolved(*cut(lines, [(0, 40), (20, 60)]))
    assert shown(result) == truth(lines)
    assert result.minutes["epoch"].to_list() == [0] * 60
    assert not result.minutes["clock_step"].any()


def test_rows_that_stand_out_of_order_in_a_file_are_no_reset():
    lines = written(steady(MAY, 30), following(), record=100)
    lines[10], lines[11] = lines[11], lines[10]
    result = resolved(Export(lines))
    assert result.minutes["epoch"].to_list() == [0] * 30
    assert shown(result) == truth(lines)
    assert not result.minutes["clock_step"].any()


def test_days_are_the_sites_own():
    result = resolved(Export(written(steady(utc(2031, 5, 1, 21, 0), 120), following())))
    assert result.quality["day"].to_list() == [MAY.date(), (MAY + DAY).date()]
    assert result.quality["minutes_observed"].to_list() == [60, 60]


def test_nothing_loaded_is_nothing_resolved():
    result = resolve(MINUTE.empty(), TRACE.empty(), LOAD_FILE.empty(), load_definitions())
    assert result.minutes.is_empty()
    assert result.uses.is_empty()
    assert result.quality.is_empty()


def test_a_file_without_zone_is_named():
    with pytest.raises(InputError, match="no time zone"):
        resolved(Export(written(steady(MAY, 3), following()), zone=None))


def test_an_unknown_zone_is_named():
    with pytest.raises(InputError, match="Europe/Atlantis"):
        resolved(Export(written(steady(MAY, 3), following()), zone="Europe/Atlantis"))
