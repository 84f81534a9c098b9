"""The leaks of a drain: what joins, what is a blip, when the last one ended and how sure that is."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.cohort.judgements import CASE_KEY, figures_of, judgements, leak_sets
from pipeline.cohort.leak import leak_outcome, leak_stretches, leaks_of
from pipeline.cohort.leak_doubt import doubtful_leaks, unresolved_stretches
from pipeline.cohort.minutes import drain_minutes
from pipeline.cohort.outcomes import _on_above
from pipeline.definitions import load_definitions
from tests.course.bedside import Use, at, course_as_told

ORIGIN = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)
DEFINITIONS = load_definitions()
PUBLISHED = figures_of(judgements(DEFINITIONS)[:1])
SETS = leak_sets(PUBLISHED)
ON, OFF = True, False
INSTANT = pl.Datetime("us", "UTC")


def after(hours: float) -> datetime:
    return ORIGIN + timedelta(hours=hours)


class TestHoles:
    @pytest.mark.parametrize("limit", [10.0, 20.0, 30.0])
    def test_a_missing_minute_in_a_steady_leak_neither_ends_it_nor_makes_two(self, limit: float) -> None:
        use = Use(900, leak=lambda t: 40.0 if t < 600 else 0.0, missing=[100, 300, 301, 450])
        assert leaks_of_log(use, limit) == [(0, 600, 600)]

    @pytest.mark.parametrize("limit", [10.0, 20.0, 30.0])
    def test_a_puff_beside_a_hole_is_no_leak_by_any_limit(self, limit: float) -> None:
        gone = [*range(175, 200), *range(228, 253)]
        use = Use(900, leak=lambda t: 70.0 if 200 <= t < 228 else 0.0, missing=gone)
        assert leaks_of_log(use, limit) == []

    def test_an_end_in_a_hole_is_an_interval(self) -> None:
        use = Use(900, leak=lambda t: 70.0 if t < 420 else 0.0, missing=range(400, 440))
        assert leaks_of_log(use) == [(0, 400, 440)]

    def test_air_behind_a_hole_too_short_for_a_leak_leaves_the_end_open_until_it_is_off(self) -> None:
        # 25 minutes of air behind the hole: of a leak if the hole had as much, of none if it had none.
        air = [*range(300), *range(350, 375)]
        use = Use(900, leak=lambda t: 70.0 if t in air else 0.0, missing=range(300, 350))
        assert leaks_of_log(use) == [(0, 300, 370)]


def watched(*parts: tuple[float, float, bool]) -> pl.DataFrame:
    """Known minutes of one drain: stretches (from hour, to hour, leak on)."""
    frames = [
        pl.DataFrame(
            {"minute": pl.datetime_range(after(a), after(b), "1m", closed="left", eager=True)}
        ).select(drain_id=pl.lit("D"), minute="minute", known=True, leak_on=pl.lit(on))
        for a, b, on in parts
    ]
    return pl.concat(frames)


def leaks(*parts: tuple[float, float, bool]) -> list[tuple]:
    rows = leaks_of(leak_stretches(watched(*parts), SETS))
    return [
        ((a - ORIGIN) / timedelta(hours=1), (b - ORIGIN) / timedelta(hours=1), blip)
        for a, b, blip in rows.select("started_at", "ended_at", "blip").iter_rows()
    ]


def leaks_of_log(use: Use, limit: float = 20.0) -> list[tuple[int, int, int | None]]:
    """Of a drain that holds one use: each leak's beginning and end, and its latest end, in minutes."""
    course = course_as_told(use).minutes
    held = pl.DataFrame(
        {"drain_id": "D", "use_id": use.use_id, "from_at": at(0), "until_at": at(course.height)}
    )
    minutes = drain_minutes(held, course)
    known = leak_stretches(_on_above(minutes, limit, DEFINITIONS.leak.on_above), SETS)
    times = leaks_of(known).select("started_at", "ended_at", "end_latest_at")
    return [
        tuple(None if time is None else int((time - at(0)) / timedelta(minutes=1)) for time in row)
        for row in times.iter_rows()
    ]


def doubt(*stretches: tuple[float, float]) -> pl.DataFrame:
    return pl.DataFrame(
        [("D", after(a), after(b)) for a, b in stretches],
        schema={"drain_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT},
        orient="row",
    )


def outcome(
    *parts: tuple[float, float, bool],
    reason: str | None = "planned",
    out: float | None = None,
    in_doubt: tuple[tuple[float, float], ...] = (),
) -> dict:
    """
    When the last leak ended; the tube came out with the last minute, or at hour `out`.

    `in_doubt`: stretches of hours in which much air flowed, from the lung or from the room.
    """
    known = leak_stretches(watched(*parts), SETS)
    drains = pl.DataFrame(
        {
            "drain_id": ["D"],
            "origin_at": [ORIGIN],
            "tube_out_at": [after(parts[-1][1] if out is None else out)],
            "removal_reason": [reason],
        },
        schema_overrides={"origin_at": INSTANT, "tube_out_at": INSTANT, "removal_reason": pl.String},
    )
    perhaps = doubtful_leaks(doubt(*in_doubt), known, leaks_of(known), SETS, drains)
    cases = drains.join(PUBLISHED, how="cross")
    return leak_outcome(cases, known, leaks_of(known), DEFINITIONS.drain, perhaps).row(0, named=True)


def test_stretches_less_than_8_hours_apart_are_one_leak() -> None:
    minute = 1 / 60
    assert leaks((0, 5, ON), (5, 13 - minute, OFF), (13 - minute, 20, ON)) == [(0, 20, False)]
    assert leaks((0, 5, ON), (5, 13, OFF), (13, 20, ON)) == [(0, 5, False), (13, 20, False)]


def test_a_leak_is_not_carried_through_a_hole_of_8_hours_in_which_nobody_saw_it() -> None:
    minute = 1 / 60
    assert leaks((0, 5, ON), (13 - minute, 20, ON)) == [(0, 20, False)]
    assert leaks((0, 5, ON), (13, 20, ON)) == [(0, 5, False), (13, 20, False)]


def test_a_leak_on_either_side_of_a_hole_is_not_seen_to_recur() -> None:
    got = outcome((0, 10, ON), (20, 30, ON), (30, 50, OFF))
    assert (got["leak_recurrences"], got["leak_ended_at"]) == (0, after(30))
    assert outcome((0, 10, ON), (10, 11, OFF), (21, 30, ON), (30, 50, OFF))["leak_recurrences"] == 1


def test_a_blip_behind_a_hole_may_be_the_leak_still_going_on() -> None:
    got = outcome((0, 10, ON), (20, 20.5, ON), (20.5, 50, OFF))
    assert (got["leak_ended_at"], got["leak_end_latest_at"]) == (after(10), after(20.5))


def test_a_blip_that_a_hole_could_make_a_leak_is_no_proof_that_it_never_leaked() -> None:
    quiet = ((0, 10, OFF), (10, 10.5, ON))
    assert outcome(*quiet, (10.75, 80, OFF))["leak_hours"] == 0.0
    assert outcome(*quiet, (11.5, 80, OFF))["leak_hours"] is None


def test_under_60_minutes_on_in_all_is_a_blip() -> None:
    minute = 1 / 60
    assert leaks((0, 1 - minute, ON), (1 - minute, 9, OFF)) == [(0, 1 - minute, True)]
    assert leaks((0, 1, ON), (1, 9, OFF)) == [(0, 1, False)]
    assert leaks((0, 0.5, ON), (0.5, 2, OFF), (2, 2.5, ON), (2.5, 9, OFF)) == [(0, 2.5, False)]


def test_the_last_end_counts_and_later_leaks_are_recurrences() -> None:
    got = outcome((0, 10, ON), (10, 20, OFF), (20, 30, ON), (30, 50, OFF), (50, 50.5, ON), (50.5, 60, OFF))
    assert got["leak_ended_at"] == after(30)
    assert got["leak_end_earliest_at"] == got["leak_end_latest_at"] == after(30)
    assert got["leak_recurrences"] == 1
    assert got["leak_hours"] == 30.0
    assert got["leak_ongoing_at_end"] is False


def test_an_end_inside_a_hole_is_an_interval() -> None:
    got = outcome((0, 10, ON), (14, 30, OFF))
    assert (got["leak_ended_at"], got["leak_end_latest_at"]) == (after(10), after(14))


def test_a_leak_on_at_the_last_assessable_minute_is_ongoing() -> None:
    got = outcome((0, 10, OFF), (10, 20, ON))
    assert got["leak_ongoing_at_end"] is True
    assert (got["leak_ended_at"], got["leak_hours"], got["leak_end_latest_at"]) == (None, None, None)
    assert got["leak_end_earliest_at"] == after(20)


@pytest.mark.parametrize(
    ("hours_behind", "reason", "an_end"),
    [(6, None, True), (6 - 1 / 60, None, False), (1, "planned", True), (1, "died", False)],
)
def test_an_end_needs_6_leak_free_hours_or_a_planned_removal(hours_behind, reason, an_end) -> None:
    got = outcome((0, 10, ON), (10, 10 + hours_behind, OFF), reason=reason)
    assert (got["leak_hours"] == 10.0) is an_end
    assert (got["leak_ended_at"] == after(10)) is an_end
    assert got["leak_end_earliest_at"] == after(10)


@pytest.mark.parametrize(("out", "an_end"), [(16 + 2 / 3, True), (16 + 2 / 3 + 1 / 60, False), (70, False)])
def test_a_planned_removal_confirms_only_an_end_that_was_watched_close_to_it(out, an_end) -> None:
    got = outcome((0, 10, ON), (10, 10 + 2 / 3, OFF), out=out)
    assert (got["leak_hours"] == 10.0) is an_end


def test_never_on_and_watched_from_the_origin_is_0_hours() -> None:
    got = outcome((0.5, 40, OFF))
    assert (got["leak_hours"], got["leak_ended_at"], got["leak_recurrences"]) == (0.0, None, 0)


@pytest.mark.parametrize(
    "parts",
    [
        [(1.5, 40, OFF)],  # late: it may have leaked before
        [(0, 10, OFF), (20, 40, OFF)],  # a hole of a quarter of the time
    ],
)
def test_never_seen_on_but_not_watched_is_unknown_not_0_hours(parts) -> None:
    assert outcome(*parts)["leak_hours"] is None


def test_never_on_for_an_hour_before_death_is_unknown() -> None:
    assert outcome((0, 1, OFF), reason="died")["leak_hours"] is None


def test_without_an_assessable_minute_everything_is_unknown() -> None:
    got = outcome((0, 0, OFF))
    assert {k: v for k, v in got.items() if k not in CASE_KEY and v is not None} == {}


class TestMuchAirOfWhichNobodyKnowsWhence:
    """An open line graded `unresolved`: the lung may have leaked all the while."""

    def test_behind_the_last_end_it_makes_the_end_an_interval(self) -> None:
        got = outcome((0, 10, ON), (10, 30, OFF), (35, 60, OFF), in_doubt=((30, 35),))
        assert (got["leak_ended_at"], got["leak_end_earliest_at"]) == (after(10), after(10))
        assert got["leak_end_latest_at"] == after(35)

    def test_near_a_leak_it_may_be_a_part_of_it_however_short(self) -> None:
        near = outcome((0, 10, ON), (10, 12, OFF), (12.5, 60, OFF), in_doubt=((12, 12.5),))
        assert near["leak_end_latest_at"] == after(12.5)
        far = outcome((0, 10, ON), (10, 18, OFF), (18.5, 60, OFF), in_doubt=((18, 18.5),))
        assert far["leak_end_latest_at"] == after(10)

    def test_before_the_last_end_it_changes_nothing(self) -> None:
        parts = ((0, 10, ON), (13, 20, ON), (20, 60, OFF))
        assert outcome(*parts, in_doubt=((10, 13),)) == outcome(*parts)

    def test_nothing_shows_that_there_was_never_a_leak(self) -> None:
        assert outcome((0, 80, OFF))["leak_hours"] == 0.0
        assert outcome((0, 60, OFF), (62, 80, OFF), in_doubt=((60, 62),))["leak_hours"] is None

    def test_an_end_is_confirmed_by_what_was_seen_behind_it(self) -> None:
        parts = ((0, 10, ON), (10, 30, OFF), (35, 41, OFF))
        assert outcome(*parts, reason="died", in_doubt=((30, 35),))["leak_ended_at"] == after(10)
        short = ((0, 10, ON), (10, 30, OFF), (35, 40, OFF))
        assert outcome(*short, reason="died")["leak_ended_at"] == after(10)
        assert outcome(*short, reason="died", in_doubt=((30, 35),))["leak_ended_at"] is None

    def test_a_log_that_ends_in_it_confirms_no_end(self) -> None:
        parts = ((0, 10, ON), (10, 30, OFF))
        assert outcome(*parts, out=35)["leak_ended_at"] == after(10)
        assert outcome(*parts, out=35, in_doubt=((30, 35),))["leak_ended_at"] is None

    def test_it_is_taken_from_what_the_drain_holds_of_its_use(self) -> None:
        held = pl.DataFrame(
            {"drain_id": ["D"], "use_id": ["U"], "from_at": [after(2)], "until_at": [after(9)]},
            schema_overrides={"from_at": INSTANT, "until_at": INSTANT},
        )
        kinds = [
            ("line_open", "unresolved", 1, 3),
            ("line_open", None, 4, 5),
            ("line_open", "unresolved", 9, 10),
        ]
        periods = pl.DataFrame(
            [("U", kind, grade, after(a), after(b)) for kind, grade, a, b in kinds],
            schema={
                "use_id": pl.String,
                "kind": pl.String,
                "grade": pl.String,
                "started_at": INSTANT,
                "ended_at": INSTANT,
            },
            orient="row",
        )
        assert unresolved_stretches(held, periods).rows() == [("D", after(2), after(3))]
