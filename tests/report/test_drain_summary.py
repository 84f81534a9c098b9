"""What a drain's page says in words: nothing that the findings do not say, and every unknown said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from enum import StrEnum

import duckdb
import polars as pl
import pytest

from pipeline.report import drain_words
from pipeline.report.drain_bands import bands
from pipeline.report.drain_clock import SiteClock, clock_of
from pipeline.report.drain_page import drain_page
from pipeline.report.drain_record import ANNOTATIONS, DrainRecord, fitted_until, read_record
from pipeline.report.drain_summary import in_short, summary
from pipeline.report.drain_tables import sections_of
from schemas.errors import CallError
from schemas.vocabulary import (
    AlertCode,
    AnnotationKind,
    Grade,
    OutcomeReason,
    ProlongedLeak,
    RemovalReason,
    State,
    TidalingBasis,
    Verdict,
)
from tests.course.bedside import NOON, Use, at, course_as_told
from tests.support.told_drain import ToldDrain

ZURICH = "Europe/Zurich"


def record_of(*uses: Use, noted: list[tuple] = (), **drain: object) -> DrainRecord:  # type: ignore[assignment]
    notes = [(use.use_id, *note) for use in uses for note in noted]
    told = ToldDrain(course_as_told(*uses, annotations=notes), **drain) if uses else ToldDrain(**drain)
    notes = pl.DataFrame(noted, schema=ANNOTATIONS, orient="row")
    return read_record(told, told.drain_id, notes)


def clock(record: DrainRecord) -> SiteClock:
    return clock_of(ZURICH, record.minutes, [NOON, at(20_000)])


def told(record: DrainRecord) -> str:
    return " ".join(summary(record, clock(record)))


@pytest.mark.parametrize(
    ("words", "enum"),
    [
        (drain_words.OUTCOMES, ProlongedLeak),
        (drain_words.REASONS, OutcomeReason),
        (drain_words.REMOVALS, RemovalReason),
        (drain_words.RINGS, AlertCode),
        (drain_words.NOTES, AnnotationKind),
        (drain_words.STATES, State),
        (drain_words.VERDICTS, Verdict),
        (drain_words.BASES, TidalingBasis),
        (drain_words.GRADES, Grade),
    ],
)
def test_every_word_of_the_ledger_has_words_for_the_ward(words: dict[str, str], enum: type[StrEnum]) -> None:
    assert set(words) == set(enum)


def test_a_leak_that_stopped_is_told_with_its_day() -> None:
    record = record_of(
        Use(5000, leak=lambda t: 90.0 if t < 3600 else 0.0), leak_ended_at=at(3600), leak_hours=60.0
    )
    assert "The leak stopped on day 3 (Thu 13 Mar, 01:00), 2 days 12 h after the origin." in told(record)


def test_an_end_inside_a_hole_is_an_interval() -> None:
    record = record_of(
        Use(900, missing=range(300, 500)),
        leak_ended_at=at(500),
        leak_end_earliest_at=at(300),
        leak_end_latest_at=at(500),
        leak_hours=8.0,
    )
    assert (
        "between day 0 (Mon 10 Mar, 18:00) and day 0 (Mon 10 Mar, 21:20): no minute between can tell"
        in told(record)
    )


@pytest.mark.parametrize(
    ("drain", "said"),
    [
        ({"leak_ongoing_at_end": None}, "Whether the lung leaked cannot be told"),
        (
            {"leak_ongoing_at_end": True, "leak_hours": None},
            "The leak was still on when it could last be told",
        ),
        ({"leak_hours": None}, "whether one had ended before is not known"),
        ({"leak_hours": 0.0}, "No lasting leak was seen."),
        ({"leak_hours": None, "leak_end_earliest_at": at(50)}, "too little came after to be sure"),
        ({"leak_ended_at": at(50), "leak_recurrences": 2}, "it had come back twice"),
        ({"tilted_minutes": None}, "Whether it was tilted is not known"),
        ({"occlusion_minutes": None}, "Whether the tube was blocked cannot be told"),
        ({"output_ml": None}, "The fluid's total is not known"),
        ({"alert_count": None}, "Whether alerts rang is not known"),
        ({"canister_changes": None}, "canister changes are not known"),
        ({"pause_hours": None}, "whether it was paused is not known"),
        (
            {"prolonged_leak": "unknown", "prolonged_leak_reason": "died"},
            "Prolonged air leak: cannot be told (the patient died with the drain in).",
        ),
    ],
)
def test_what_is_unknown_is_said_to_be(drain: dict[str, object], said: str) -> None:
    assert said in told(record_of(Use(600), **drain))


def test_a_total_of_fluid_reaches_as_far_as_the_log_and_no_further() -> None:
    assert "mL of fluid in all" in told(record_of(Use(600), output_ml=640.0, tube_out_at=at(600)))
    broken_off = record_of(Use(600), output_ml=640.0, tube_out_at=at(599 + 15 * 60))
    assert "640 mL of fluid until the log ends, 15 h before tube out" in told(broken_off)
    still_in = record_of(Use(600), output_ml=640.0, tube_out_at=None)
    assert "640 mL of fluid until the log ends;" in told(still_in)


def test_a_canister_goes_with_its_device() -> None:
    first = {"from_at": at(0), "until_at": at(300), "device": "DV-1", "session": 1}
    second = {"from_at": at(330), "until_at": at(600), "device": "DV-2", "session": 4}
    bare = record_of(Use(600), canister_changes=0)
    fitted = [
        {"canister_no": 1, "fitted_at": at(0), "removed_at": None, "volume_ml": 300.0},
        {"canister_no": 2, "fitted_at": at(330), "removed_at": None, "volume_ml": 90.0},
    ]
    instant = pl.Datetime("us", "UTC")
    uses = pl.DataFrame([first, second], schema_overrides={"from_at": instant, "until_at": instant})
    canisters = pl.DataFrame(fitted, schema_overrides={"fitted_at": instant, "removed_at": instant})
    swapped = replace(bare, uses=uses, canisters=fitted_until(canisters, uses))
    assert swapped.canisters["until_at"].to_list() == [at(300), at(600)]
    assert swapped.canisters["device_changed"].to_list() == [True, False]
    assert "two devices, a canister each; none changed." in told(swapped)
    page = "".join(str(section.body) for section in sections_of(swapped, clock(swapped)))
    assert "the device was changed" in page
    one = replace(bare, uses=uses.head(1), canisters=fitted_until(canisters.head(1), uses.head(1)))
    assert "no canister changes." in told(one)


def test_missing_minutes_are_never_rounded_away() -> None:
    record = record_of(Use(12_000, missing=range(7000, 7001)))
    assert "holds 99.9\u00a0% of the course: 1 min is missing" in told(record)
    assert "without a hole" in told(record_of(Use(600)))


def test_a_suspicion_is_told_with_its_grade() -> None:
    blocked = Use(
        900,
        breath=lambda t: "absent" if 300 <= t < 480 else "present",
        volume=lambda t: 50 + (t if t < 300 else 300 if t < 480 else t - 150) * 0.5,
    )
    record = record_of(blocked, occlusion_minutes=180)
    assert "One suspected occlusion: graded possible, day 0 (Mon 10 Mar, 18:00), 3 h" in told(record)
    assert "A clamp that was left shut and that nobody noted looks the same." in told(record)
    assert "one suspected occlusion: graded possible" in in_short(record, clock(record))


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("confirmed_occlusion", "One suspected occlusion: noted by staff, day 0 (Mon 10 Mar, 14:00), 1 h"),
        (
            "clamp_trial",
            "One stretch with the line clamped: day 0 (Mon 10 Mar, 14:00), 1 h, as noted by staff",
        ),
    ],
)
def test_a_note_that_the_log_contradicts_is_told_with_what_the_log_shows(kind: str, said: str) -> None:
    open_ = record_of(Use(300, leak=70.0), noted=[(at(60), at(120), kind)], occlusion_minutes=0)
    assert f"{said}, though the log shows flow in 60 of 60 min." in told(open_)
    shut = Use(
        300,
        leak=lambda t: 0.0 if 60 <= t < 120 else 70.0,
        breath=lambda t: "absent" if 60 <= t < 120 else "present",
    )
    believed = told(record_of(shut, noted=[(at(60), at(120), kind)], occlusion_minutes=60))
    assert f"{said}." in believed
    assert "looks the same" not in believed


def test_a_drain_without_a_log_says_only_that(tmp_path: object) -> None:
    record = record_of()
    assert summary(record, clock(record)) == [
        "No log of this drain was found: nothing is known of its course."
    ]
    page = drain_page(ToldDrain(), "DTOLD7NB3INBCKLH")
    assert "There is no strip." in page
    assert "drain.js" not in page
    assert "strip-data" not in page


def test_what_staff_noted_is_shown_as_what_it_is() -> None:
    record = record_of(Use(600), noted=[(at(100), at(200), "ventilated"), (at(300), None, "note")])
    lanes = {(b.lane, b.label, b.moment) for b in bands(record, clock(record), NOON, at(600))}
    assert ("staff noted", "patient ventilated", False) in lanes
    assert ("staff noted", "a note (its text stays in the ward)", True) in lanes
    assert "Staff noted: patient ventilated and a note" in told(record)


def test_days_begin_at_the_sites_midnight_also_when_clocks_change() -> None:
    record = record_of(Use(3 * 1440, begin=datetime(2031, 3, 29, 11, tzinfo=UTC)))
    here = clock_of(
        ZURICH, record.minutes, [datetime(2031, 3, 29, tzinfo=UTC), datetime(2031, 4, 2, tzinfo=UTC)]
    )
    end = datetime(2031, 4, 1, 11, tzinfo=UTC)
    days = [b for b in bands(record, here, datetime(2031, 3, 29, 11, tzinfo=UTC), end) if b.lane == "day"]
    assert [b.start for b in days[1:]] == [
        datetime(2031, 3, 29, 23, tzinfo=UTC),
        datetime(2031, 3, 30, 22, tzinfo=UTC),
        datetime(2031, 3, 31, 22, tzinfo=UTC),
    ]
    assert [b.label for b in days[:2]] == ["day 0, Sat 29 Mar", "day 1, Sun 30 Mar"]
    assert here.said(datetime(2031, 3, 30, 2, tzinfo=UTC)) == "Sun 30 Mar 2031 04:00 (UTC+2)"


def test_without_a_zone_the_minutes_own_offset_is_taken() -> None:
    record = record_of(Use(60))
    here = clock_of(None, record.minutes, [NOON])
    assert here.name == "local time of the site, UTC+1"
    assert here.said(NOON) == "Mon 10 Mar 2031 13:00"


def test_the_same_drain_gives_the_same_bytes() -> None:
    made = [ToldDrain(course_as_told(Use(900, leak=50.0, missing=range(40, 50)))) for _ in range(2)]
    one, other = (drain_page(drain, drain.drain_id, zone=ZURICH) for drain in made)
    assert one == other


def test_minutes_that_cannot_be_read_leave_words_and_tables() -> None:
    drain = ToldDrain(course_as_told(Use(600, leak=50.0)))

    def ask(sql: str, *values: object) -> pl.DataFrame:
        if "FROM minute" in sql:
            raise duckdb.IOException("No files found that match the pattern /somewhere/private")
        return drain(sql, *values)

    page = drain_page(ask, drain.drain_id)
    assert "The minutes of this drain cannot be read" in page
    assert "/somewhere/private" not in page
    assert "leak on" in page


def test_a_drain_that_is_not_there_is_said_in_one_sentence() -> None:
    with pytest.raises(CallError, match="there is no drain DNOBODY"):
        drain_page(ToldDrain(), "DNOBODY")


def test_what_was_never_read_is_named_beside_the_strip() -> None:
    silent = Use(90, leak=None, volume=None, tilt=None)
    page = drain_page(ToldDrain(course_as_told(silent)), "DTOLD7NB3INBCKLH")
    assert "Never read on this drain: air leak, fluid and tilt." in page
    assert "Never read" not in drain_page(ToldDrain(course_as_told(Use(90))), "DTOLD7NB3INBCKLH")
