"""Was the leak prolonged? Each reason of the decision table, and both sides of each edge."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.cohort.judgements import CASE_KEY, Judgement, figures_of, leak_sets
from pipeline.cohort.leak import leak_outcome, leak_stretches, leaks_of
from pipeline.cohort.leak_doubt import doubtful_leaks
from pipeline.cohort.origin import with_threshold
from pipeline.cohort.prolonged import prolonged_leak
from pipeline.definitions import load_definitions

ORIGIN = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)
DEFINITIONS = load_definitions()
FIVE_DAYS, SEVEN_DAYS = DEFINITIONS.prolonged_leak[:2]
ON, OFF = True, False
MINUTE = 1 / 60
INSTANT = pl.Datetime("us", "UTC")


def after(hours: float | None) -> datetime | None:
    return None if hours is None else ORIGIN + timedelta(hours=hours)


def verdict(
    *parts: tuple[float, float, bool],
    out: float | None = None,
    reason: str | None = None,
    definition: Any = FIVE_DAYS,
    log: tuple[float, float] | None = None,
    exported: float | None = None,
    step: float | None = None,
    leapt: float = 0,
    set_back: float = 0,
    in_doubt: tuple[tuple[float, float], ...] = (),
    **more: Any,
) -> tuple[str, str | None]:
    """
    The verdict on one drain with leak on or off over stretches of hours after the origin.

    `log`: first and last hour with rows, where it differs from what could be assessed. `in_doubt`: hours in
    which much air flowed, from the lung or from the room.
    """
    first, last = log or (parts[0][0], parts[-1][1]) if parts else (log or (0, 1))
    frames = [
        pl.DataFrame(
            {"minute": pl.datetime_range(after(a), after(b), "1m", closed="left", eager=True)}
        ).select(drain_id=pl.lit("D"), minute="minute", known=True, leak_on=pl.lit(on))
        for a, b, on in parts or [(0, 0, OFF)]
    ]
    figures = figures_of([Judgement("asked", None, definition, DEFINITIONS.leak)])
    known = leak_stretches(pl.concat(frames), leak_sets(figures))
    leaks = leaks_of(known)
    stretches = pl.DataFrame(
        [("D", after(a), after(b)) for a, b in in_doubt],
        schema={"drain_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT},
        orient="row",
    )
    row = {
        "drain_id": "D",
        "origin_at": ORIGIN,
        "origin_day": ORIGIN.date(),
        "timezone": "UTC",
        "started_at": after(first),
        "ended_at": after(last - MINUTE),
        "tube_out_at": after(out),
        "removal_reason": reason,
        "clock_uncertain": False,
        "later_session": False,
        "last_export_at": after(last if exported is None else exported),
        "first_step_at": after(step),
        "leapt": round(60 * leapt),
        "set_back": round(60 * set_back),
        **more,
    }
    instants = {name: INSTANT for name in row if name.endswith("_at")}
    drains = pl.DataFrame([row], schema_overrides={**instants, "removal_reason": pl.String})
    perhaps = doubtful_leaks(stretches, known, leaks, leak_sets(figures), drains)
    cases = with_threshold(drains.join(figures, how="cross"))
    ended = leak_outcome(cases, known, leaks, DEFINITIONS.drain, perhaps)
    told = prolonged_leak(cases.join(ended, on=CASE_KEY), known, leaks, perhaps)
    return told.select("prolonged_leak", "prolonged_leak_reason").row(0)


def planned(*parts: tuple[float, float, bool], out: float, **more: Any) -> tuple[str, str | None]:
    return verdict(*parts, out=out, reason="planned", **more)


NO, YES = ("no", None), ("yes", None)


def unknown(reason: str) -> tuple[str, str]:
    return ("unknown", reason)


def test_exactly_120_hours_is_not_prolonged() -> None:
    assert planned((0, 120, ON), (120, 140, OFF), out=140) == NO
    assert planned((0, 120 + MINUTE, ON), (120 + MINUTE, 140, OFF), out=140) == YES


def test_a_drain_out_at_exactly_120_hours_without_leak_is_a_no() -> None:
    assert planned((0, 100, ON), (100, 120, OFF), out=120) == NO


def test_a_leak_that_stops_and_comes_back_counts_by_its_last_end() -> None:
    assert planned((0, 100, ON), (100, 118, OFF), (118, 124, ON), (124, 150, OFF), out=150) == YES


def test_six_hours_of_new_leak_after_the_threshold_are_prolonged() -> None:
    quiet = (0, 130, OFF)
    assert planned(quiet, (130, 136, ON), (136, 200, OFF), out=200) == YES
    assert planned(quiet, (130, 136 - MINUTE, ON), (136 - MINUTE, 200, OFF), out=200) == NO


def test_a_little_leak_and_a_hole_that_could_fill_it_up_is_unknown() -> None:
    assert planned((0, 130, OFF), (130, 135, ON), (135, 180, OFF), (182, 200, OFF), out=200) == unknown(
        "too_little_data"
    )


def test_a_blip_after_the_threshold_does_not_count() -> None:
    assert planned((0, 130, OFF), (130, 130.5, ON), (130.5, 200, OFF), out=200) == NO


def test_watched_past_the_threshold_needs_90_percent_of_the_minutes() -> None:
    # 100 h from the threshold to the removal: 10 h may be missing, not more; the end is missing as well,
    # so that the last six hours cannot stand in.
    assert verdict((0, 210, OFF), out=220, reason="replaced") == NO
    assert verdict((0, 210 - MINUTE, OFF), out=220, reason="replaced") == unknown("replaced")


def test_the_last_six_hours_before_a_planned_removal_are_enough() -> None:
    minutes_missing = 36 * MINUTE  # a tenth of six hours
    assert planned((0, 110, OFF), (194 + minutes_missing, 200, OFF), out=200) == NO
    missing_one_more = (194 + minutes_missing + MINUTE, 200, OFF)
    assert planned((0, 110, OFF), missing_one_more, out=200) == unknown("too_little_data")


def test_after_the_threshold_a_log_without_removal_needs_six_leak_free_hours() -> None:
    assert verdict((0, 100, ON), (100, 126, OFF), reason="died") == NO
    assert verdict((0, 100, ON), (100, 126 - MINUTE, OFF), reason="died") == unknown("died")


def test_a_drain_watched_past_the_threshold_that_may_still_be_running_is_unknown() -> None:
    quiet = ((0, 100, ON), (100, 127, OFF))
    assert verdict(*quiet) == unknown("still_in")
    assert verdict(*quiet, exported=127 + 24 - MINUTE) == unknown("still_in")
    assert verdict(*quiet, exported=127 + 24) == NO
    assert verdict(*quiet, later_session=True) == NO
    assert verdict(*quiet, reason="died") == NO  # the registry has no time, yet the tube is out
    assert verdict(*quiet, out=127, reason="other") == NO


@pytest.mark.parametrize(
    "reason", ["died", "transferred_with_drain", "discharged_with_drain", "replaced", "accidental"]
)
def test_whoever_leaves_our_sight_before_the_threshold_is_unknown(reason: str) -> None:
    assert verdict((0, 50, ON), out=50, reason=reason) == unknown(reason)
    assert verdict((0, 20, ON), (20, 50, OFF), out=50, reason=reason) == unknown(reason)
    assert verdict((0, 50, ON), reason=reason) == unknown(reason)


def test_whoever_dies_after_the_threshold_without_leak_is_a_no() -> None:
    assert verdict((0, 50, ON), (50, 150, OFF), out=150, reason="died") == NO
    # Two hours are enough where the time is known: at the threshold the lung was seen not to leak.
    assert verdict((0, 50, ON), (50, 122, OFF), out=122, reason="died") == NO
    assert verdict((0, 50, ON), (50, 120, OFF), out=122, reason="died") == unknown("died")


def test_a_tube_removed_leaking_is_unknown() -> None:
    assert planned((0, 50, ON), out=50) == unknown("removed_leaking")
    assert planned((0, 50, ON), out=56) == unknown("removed_leaking")
    assert planned((0, 50, ON), out=56 + MINUTE) == unknown("log_ends_leaking")


def test_a_log_that_ends_leaking_is_unknown() -> None:
    assert verdict((0, 50, ON)) == unknown("log_ends_leaking")
    assert verdict((0, 50, ON), later_session=True) == unknown("log_ends_leaking")
    assert verdict((0, 50, ON), out=50, reason="other") == unknown("log_ends_leaking")


def test_a_planned_removal_without_leak_is_a_no_if_the_log_reaches_it() -> None:
    assert planned((0, 20, ON), (20, 21, OFF), out=27) == NO
    assert planned((0, 20, ON), (20, 21, OFF), out=27 + MINUTE) == unknown("too_little_data")


def test_a_removal_is_presumed_if_something_shows_that_the_use_is_over() -> None:
    quiet = ((0, 20, ON), (20, 26, OFF))
    presumed = ("no", "removal_presumed")
    assert verdict(*quiet) == unknown("still_in")
    assert verdict(*quiet, later_session=True) == presumed
    assert verdict(*quiet, exported=50) == presumed
    assert verdict(*quiet, exported=50 - MINUTE) == unknown("still_in")
    assert verdict(*quiet, out=26) == presumed
    assert verdict(*quiet, out=26, reason="other") == presumed
    assert verdict(*quiet, reason="planned", later_session=True) == presumed


def test_a_presumed_removal_needs_six_leak_free_hours_before_it() -> None:
    assert verdict((0, 20, ON), (20, 26 - MINUTE, OFF), later_session=True) == unknown("too_little_data")


def test_a_removal_long_after_the_log_is_not_presumed_to_be_at_its_end() -> None:
    assert verdict((0, 20, ON), (20, 40, OFF), out=46) == ("no", "removal_presumed")
    assert verdict((0, 20, ON), (20, 40, OFF), out=46 + MINUTE) == unknown("too_little_data")


def test_the_strict_mode_presumes_nothing() -> None:
    strict = FIVE_DAYS.model_copy(update={"presume_removal": 0})
    quiet = ((0, 20, ON), (20, 40, OFF))
    assert verdict(*quiet, later_session=True, definition=strict) == unknown("still_in")
    assert verdict(*quiet, out=40, definition=strict) == unknown("too_little_data")
    assert planned(*quiet, out=40, definition=strict) == NO


def test_an_end_in_a_hole_over_the_threshold_is_unknown() -> None:
    assert planned((0, 110, ON), (130, 200, OFF), out=200) == unknown("gap_spans_threshold")
    assert planned((0, 110, ON), (120, 200, OFF), out=200) == NO
    assert planned((0, 110, ON), (120 + MINUTE, 200, OFF), out=200) == unknown("gap_spans_threshold")


def test_a_leak_is_not_carried_over_the_threshold_through_a_hole_that_nobody_watched() -> None:
    leak = (0, 90, ON)
    assert planned(leak, (140, 140 + 40 * MINUTE, ON), (141, 200, OFF), out=200) == unknown(
        "gap_spans_threshold"
    )
    assert planned(leak, (140, 145, ON), (145, 200, OFF), out=200) == unknown("gap_spans_threshold")
    assert planned(leak, (140, 146, ON), (146, 200, OFF), out=200) == YES  # six hours after it by themselves
    short = ((0, 117, ON), (117 + 8 - MINUTE, 125, ON), (125, 200, OFF))
    assert planned(*short, out=200) == YES  # a hole of under 8 h is still bridged


def test_a_leak_that_may_have_begun_before_the_threshold_is_unknown() -> None:
    assert planned((0, 110, OFF), (130, 133, ON), (133, 200, OFF), out=200) == unknown("gap_spans_threshold")


def test_a_blip_that_a_hole_over_the_threshold_could_make_a_leak_is_no_proof_of_none() -> None:
    seen = ((0, 119, OFF), (119, 119.75, ON))
    assert planned(*seen, (139.75, 170, OFF), out=170) == unknown("gap_spans_threshold")
    seals = planned(*seen, (119.75 + 10 * MINUTE, 170, OFF), out=170)
    assert seals == NO  # ten unseen minutes could not make it 60


def test_a_blip_at_the_start_of_a_late_log_may_be_the_end_of_a_long_leak() -> None:
    assert planned((119.8, 120.3, ON), (120.3, 150, OFF), out=150) == unknown("gap_spans_threshold")
    assert planned((0, 0.5, ON), (0.5, 150, OFF), out=150) == NO


def test_a_blip_that_a_hole_after_the_threshold_could_make_six_hours_is_no_proof_of_none() -> None:
    parts = ((0, 130, OFF), (130, 130.5, ON))
    assert planned(*parts, (137, 250, OFF), out=250) == unknown("too_little_data")
    assert planned(*parts, (135, 250, OFF), out=250) == NO


def test_nothing_assessable_before_the_threshold_is_a_gap() -> None:
    assert planned((125, 200, OFF), out=200, log=(0, 200)) == unknown("gap_spans_threshold")


def test_a_log_that_begins_after_the_threshold_enters_too_late() -> None:
    assert planned((121, 200, OFF), out=200) == unknown("late_entry")
    assert planned((119, 200, OFF), out=200) == NO
    assert planned((130, 140, ON), (140, 200, OFF), out=200) == YES


def test_a_late_log_that_ends_before_the_threshold_can_still_be_a_no() -> None:
    assert planned((20, 50, OFF), out=50) == NO


def test_an_uncertain_clock_makes_durations_unknown() -> None:
    assert planned((0, 150, ON), (150, 170, OFF), out=170, clock_uncertain=True) == unknown("clock_uncertain")


UNSURE = unknown("clock_uncertain")


def test_a_clock_set_back_may_hide_that_the_leak_went_on_past_the_threshold() -> None:
    back = {"step": 60, "set_back": 24}
    assert verdict((0, 119.5, ON), (119.5, 140, OFF), later_session=True, **back) == UNSURE
    assert planned((0, 119.5, ON), (119.5, 140, OFF), out=140, **back) == UNSURE
    assert planned((0, 90, ON), (90, 140, OFF), out=140, **back) == NO
    assert planned((0, 130, ON), (130, 140, OFF), out=140, **back) == YES


def test_a_clock_set_back_may_make_a_new_leak_cross_a_threshold_that_it_did_not() -> None:
    new = ((0, 119, OFF), (119, 123, ON), (123, 150, OFF))
    assert planned(*new, out=150) == YES
    assert planned(*new, out=150, step=60, set_back=24) == UNSURE


@pytest.mark.parametrize("leapt", [3, 20, 72])
def test_a_clock_put_forward_may_make_a_leak_longer_than_it_was(leapt: float) -> None:
    def leak(end: float) -> tuple[str, str | None]:
        quiet = end + 30
        parts = ((0, 40, ON), (40 + leapt, end, ON), (end, quiet, OFF))
        return planned(*parts, out=quiet, step=40 + leapt, leapt=leapt)

    assert leak(120.5) == UNSURE
    assert leak(120 + leapt) == UNSURE
    assert leak(120 + leapt + 6) == YES


def test_a_step_after_what_decides_changes_nothing() -> None:
    back = {"set_back": 24}
    leak = ((0, 90, ON), (102, 130, ON), (130, 160, OFF))
    assert planned(*leak, out=160, step=102, leapt=12) == UNSURE
    later = ((0, 90, ON), (97, 130, ON), (142, 160, OFF))
    assert planned(*later, out=160, step=142, leapt=12) == YES
    assert planned((0, 110, ON), (110, 150, OFF), out=150, step=115, **back) == NO
    assert planned((0, 110, ON), (110, 150, OFF), out=150, step=105, **back) == UNSURE


def test_a_tube_registered_out_by_the_threshold_is_a_no_whatever_the_clock_did() -> None:
    leak = ((0, 100, ON), (100, 110, OFF))
    assert planned(*leak, out=110, step=50, set_back=24) == NO
    assert planned(*leak, out=110, step=50, leapt=6) == NO
    assert planned(*leak, out=110, step=50, leapt=6 + MINUTE) == NO  # the same with and without the leap
    assert verdict(*leak, step=50, set_back=24, later_session=True) == UNSURE  # nobody registered when


def test_an_unknown_keeps_its_reason_whatever_the_clock_did() -> None:
    assert verdict((0, 50, ON), step=20, set_back=24) == unknown("log_ends_leaking")


def test_a_log_without_assessable_minutes_is_too_little_data() -> None:
    assert planned(out=50, log=(0, 50)) == unknown("too_little_data")
    assert verdict(reason="died", log=(0, 50)) == unknown("too_little_data")


def test_another_definition_is_data() -> None:
    parts = ((0, 150, ON), (150, 200, OFF))
    assert planned(*parts, out=200) == YES
    assert planned(*parts, out=200, definition=SEVEN_DAYS) == NO
    assert planned((0, 168 + MINUTE, ON), (168 + MINUTE, 200, OFF), out=200, definition=SEVEN_DAYS) == YES


class TestMuchAirOfWhichNobodyKnowsWhence:
    def test_across_the_threshold_it_leaves_the_outcome_open(self) -> None:
        quiet = ((0, 118, OFF), (122, 150, OFF))
        assert planned(*quiet, out=150) == NO
        assert planned(*quiet, out=150, in_doubt=((118, 122),)) == unknown("gap_spans_threshold")

    def test_hours_of_it_after_the_threshold_might_be_a_prolonged_leak(self) -> None:
        quiet = ((0, 130, OFF), (137, 300, OFF))
        assert planned(*quiet, out=300) == NO
        assert planned(*quiet, out=300, in_doubt=((130, 137),)) == unknown("too_little_data")
        assert planned((0, 130, OFF), (132, 300, OFF), out=300, in_doubt=((130, 132),)) == NO

    def test_before_the_threshold_it_is_no_prolonged_leak(self) -> None:
        assert planned((0, 60, OFF), (70, 140, OFF), out=140, in_doubt=((60, 70),)) == NO

    def test_a_log_that_ends_in_it_does_not_say_what_was_on(self) -> None:
        assert planned((0, 90, OFF), out=95) == NO
        assert planned((0, 90, OFF), out=95, in_doubt=((90, 95),)) == unknown("too_little_data")
        assert verdict((0, 90, OFF), out=95, reason="died", in_doubt=((90, 95),)) == unknown("died")
