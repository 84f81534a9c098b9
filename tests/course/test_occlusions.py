"""Suspected occlusion: what it takes, its grades, and what is never called so."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.course.bedside import DEFINITIONS, Use, at, course_as_logged, course_as_told, detail, stretches


def blocked(
    n: int = 500,
    *,
    from_: int = 300,
    to: int = 400,
    leak: Callable[[int], float | None] | None = None,
    rate: float = 0.5,
    release: float = 0.0,
    still: bool = False,
    **more: Any,
) -> Use:
    """A drain with 80 mL/min of leak and `rate` mL/min of fluid, blocked from one minute to another."""

    def is_blocked(t: int) -> bool:
        return from_ <= t < to

    def volume(t: int) -> float:
        drained = min(t, from_) + max(0, t - to)
        return round(20 + rate * drained + (release if t >= to + 5 else 0.0), 1)

    told: dict[str, Any] = {
        "breath": lambda t: "absent" if is_blocked(t) else "present",
        "volume": volume,
        "leak": leak or (lambda t: 2.0 if is_blocked(t) else 80.0),
        "low": lambda t: -20.0 if still and is_blocked(t) else -21.5,
        "high": lambda t: -19.8 if still and is_blocked(t) else -18.5,
        **more,
    }
    return Use(n, **told)


def suspected(use: Use, **more: Any) -> list[tuple[int, int, str | None]]:
    return stretches(course_as_told(use, **more), "occlusion_suspected")


class TestWhatItTakes:
    def test_a_tube_that_breathed_and_drained_does_neither_at_once(self) -> None:
        assert suspected(blocked()) == [(300, 100, "possible")]

    def test_its_detail_tells_every_figure(self) -> None:
        assert detail(course_as_told(blocked(rate=0.5)), "occlusion_suspected") == (
            "tidaling absent with leak at most 2.0 mL/min for 100 min; before: swing 3.0 cm[H2O], leak 80.0 mL/min, "
            "output 30.0 mL/h; after: swing below 0.2 cm[H2O], output 0.0 mL where 50.0 mL was to be expected by the last reading; "
            "last breathing seen 1 running minutes before the first absence; "
            "began with no hand on the drain in the log: a clamp that nobody noted looks the same"
        )

    def test_thirty_minutes_of_absence(self) -> None:
        assert suspected(blocked(to=330)) == [(300, 30, "possible")]
        assert suspected(blocked(to=329)) == []

    def test_leak_of_at_most_ten(self) -> None:
        assert suspected(blocked(leak=lambda t: 10.0 if 300 <= t < 400 else 80.0)) == [(300, 100, "possible")]
        assert suspected(blocked(leak=lambda t: 10.1 if 300 <= t < 400 else 80.0)) == []

    def test_a_blank_leak_is_not_a_leak_of_nil(self) -> None:
        assert suspected(blocked(leak=lambda t: None if 300 <= t < 400 else 80.0)) == []

    def test_fluid_that_goes_on_is_no_occlusion(self) -> None:
        assert suspected(blocked(volume=lambda t: 20 + 0.5 * t)) == []

    def test_a_fifth_of_what_was_to_be_expected_is_the_most(self) -> None:
        def dripping(share: float) -> Use:
            return blocked(volume=lambda t: 20 + 0.5 * (min(t, 300) + share * max(0, min(t, 399) - 300)))

        assert suspected(dripping(0.18)) == [(300, 100, "possible")]
        assert suspected(dripping(0.25)) == []

    def test_unread_fluid_is_unknown_and_not_nil(self) -> None:
        def unread(t: int) -> float | None:
            return None if 300 <= t < 400 else 20 + 0.5 * min(t, 300)

        assert suspected(blocked(volume=unread)) == []

    def test_what_was_suspected_is_not_taken_back_by_what_nobody_reads_later(self) -> None:
        # 6 mL/h: in an hour nothing was to be expected, in a hundred minutes 10 mL.
        def read_for(minutes: int) -> Use:
            return blocked(
                rate=0.11, volume=lambda t: None if 300 + minutes <= t < 400 else 20 + 0.11 * min(t, 300)
            )

        assert suspected(read_for(60)) == [(300, 100, "possible")]
        assert suspected(read_for(20)) == []

    def test_what_was_read_of_it_may_still_show_that_too_little_came(self) -> None:
        def unread_late(t: int) -> float | None:
            return None if 350 <= t < 400 else 20 + 0.5 * min(t, 300)

        assert suspected(blocked(volume=unread_late)) == [(300, 100, "possible")]

    def test_fluid_that_comes_as_before_is_no_occlusion_however_little(self) -> None:
        assert suspected(blocked(rate=0.05, volume=lambda t: 20 + 0.09 * t)) == []

    def test_where_little_was_to_be_expected_fluid_does_not_decide(self) -> None:
        assert suspected(blocked(rate=0.05)) == [(300, 100, "possible")]

    def test_a_dry_tube_without_leak_shows_nothing_when_breathing_goes(self) -> None:
        assert suspected(blocked(leak=lambda t: 2.0, rate=0.05)) == []

    def test_fluid_alone_is_enough_of_a_flow_before(self) -> None:
        assert suspected(blocked(leak=lambda t: 2.0, rate=0.5)) == [(300, 100, "possible")]

    def test_a_leak_that_had_ended_hours_before_is_not_what_stopped(self) -> None:
        assert suspected(blocked(rate=0.05, leak=lambda t: 80.0 if t < 200 else 2.0)) == []

    def test_breathing_must_have_been_seen_in_the_six_hours_before(self) -> None:
        assert suspected(blocked(breath=lambda t: "absent")) == []
        assert suspected(blocked(breath=lambda t: "absent" if 300 <= t < 400 else "indeterminate")) == []

    def test_paused_is_not_blocked(self) -> None:
        assert suspected(blocked(state=lambda t: "pause" if 300 <= t < 400 else "run")) == []

    def test_a_pause_or_a_few_undecided_minutes_inside_do_not_end_it(self) -> None:
        paused = blocked(state=lambda t: "pause" if 340 <= t < 355 else "run")
        undecided = blocked(
            breath=lambda t: "indeterminate" if 340 <= t < 350 else "absent" if 300 <= t < 400 else "present"
        )
        assert suspected(paused) == suspected(undecided) == [(300, 100, "possible")]

    def test_two_hours_of_doubt_part_it(self) -> None:
        use = blocked(
            700,
            to=600,
            breath=lambda t: "indeterminate" if 360 <= t < 480 else "absent" if 300 <= t < 600 else "present",
        )
        assert suspected(use) == [(300, 60, "possible"), (480, 120, "possible")]

    def test_so_does_more_than_a_bump_of_leak(self) -> None:
        bump = blocked(leak=lambda t: 30.0 if 340 <= t < 350 else 2.0 if 300 <= t < 400 else 80.0)
        flow = blocked(leak=lambda t: 30.0 if 340 <= t < 351 else 2.0 if 300 <= t < 400 else 80.0)
        assert suspected(bump) == [(300, 100, "possible")]
        assert suspected(flow)[0] == (300, 40, "possible")

    def test_a_hole_does_for_nobody_saw_what_happened_in_it(self) -> None:
        assert suspected(blocked(missing=[340])) == [(300, 40, "possible")]

    def test_a_hole_at_the_onset_hides_how_it_stopped(self) -> None:
        assert suspected(blocked(missing=range(296, 302))) == []

    def test_nothing_is_dated_across_a_clock_step(self) -> None:
        assert suspected(blocked(clock_step=lambda t: t == 300)) == []

    def test_the_tube_of_another_patient_has_no_past(self) -> None:
        use = blocked()
        assert suspected(use, cuts=[(use.use_id, at(300))]) == []

    def test_breathing_that_comes_back_ends_it(self) -> None:
        back = blocked(breath=lambda t: "present" if t < 300 or 345 <= t < 350 or t >= 400 else "absent")
        assert suspected(back) == [(300, 45, "possible"), (350, 50, "possible")]


class TestGradual:
    def test_a_swing_that_fades_over_hours_is_never_called_occlusion(self) -> None:
        def swing(t: int) -> float:
            return round(max(0.05, 3.0 - t / 100), 2)

        fading = blocked(
            600,
            from_=255,
            to=600,
            swing=swing,
            breath=lambda t: "present" if swing(t) > 0.5 else "absent",
            leak=lambda t: max(0.0, 80.0 - t / 3),
        )
        assert suspected(fading) == []

    @pytest.mark.parametrize("hours", [2, 4, 12])
    @pytest.mark.parametrize("traces", [1, 5, 10])
    def test_at_whatever_pace_and_however_often_it_was_traced(self, hours: int, traces: int) -> None:
        def swing(t: int) -> float:
            return round(3.0 * 0.5 ** (t / (20 * hours)), 3)

        n = 60 * hours + 400
        use = Use(
            n,
            swing=lambda t: max(swing(t), 0.01),
            breath=lambda t: "present" if swing(t) >= 0.5 else "absent",
            traces=traces,
            leak=lambda t: 60.0 if swing(t) >= 0.5 else 5.0,
        )
        assert suspected(use) == []

    def test_an_hour_of_doubt_before_absence_is_too_long(self) -> None:
        def doubtful(minutes: int) -> Use:
            return blocked(
                breath=lambda t: (
                    "present" if t < 300 - minutes or t >= 400 else "indeterminate" if t < 300 else "absent"
                )
            )

        assert suspected(doubtful(9)) == [(300, 100, "possible")]
        assert suspected(doubtful(12)) == []


class TestGrade:
    def test_probable_where_the_device_rings_that_the_line_is_blocked(self) -> None:
        course = course_as_told(blocked(alerts=lambda t: ["line_blocked"] if 320 <= t < 330 else []))
        assert stretches(course, "occlusion_suspected") == [(300, 100, "probable")]
        assert "alert line_blocked rang" in detail(course, "occlusion_suspected")

    def test_or_where_the_pressure_goes_still(self) -> None:
        assert suspected(blocked(still=True)) == [(300, 100, "probable")]

    def test_at_most_possible_where_traces_do_not_date_the_onset(self) -> None:
        course = course_as_told(blocked(still=True, traces=8, from_=304, to=400))
        assert [grade for *_, grade in stretches(course, "occlusion_suspected")] == ["possible"]
        assert "onset unresolved" in detail(course, "occlusion_suspected")

    def test_at_most_possible_where_the_earlier_output_is_unknown(self) -> None:
        assert suspected(blocked(still=True, volume=None)) == [(300, 100, "possible")]

    def test_at_most_possible_just_after_handling_for_a_forgotten_clamp_looks_the_same(self) -> None:
        course = course_as_told(
            blocked(
                still=True,
                state=lambda t: "pause" if 297 <= t < 299 else "run",
                leak=lambda t: 15.0 if t < 300 else 2.0,
            )
        )
        assert stretches(course, "occlusion_suspected") == [(300, 100, "possible")]
        assert detail(course, "occlusion_suspected").endswith(
            "; began within 2 min of a pause: a clamp that was left shut looks the same"
        )

    @pytest.mark.parametrize(
        ("hand", "told"),
        [
            ("a handled alert", {"alerts": lambda t: ["battery_low"] if 280 <= t < 299 else []}),
            (
                "a canister change",
                {"volume": lambda t: 20 + t / 2 if t < 299 else 1.0 if t < 400 else 1 + (t - 400) / 2},
            ),
            (
                "a pause",
                {
                    "alerts": lambda t: ["battery_low"] if 280 <= t < 299 else [],
                    "state": lambda t: "pause" if 297 <= t < 299 else "run",
                },
            ),
        ],
    )
    def test_its_detail_says_with_which_hand_it_began(self, hand: str, told: dict[str, Any]) -> None:
        course = course_as_told(blocked(still=True, leak=lambda t: 15.0 if t < 300 else 2.0, **told))
        assert stretches(course, "occlusion_suspected") == [(300, 100, "possible")]
        assert f"; began within 2 min of {hand}: a clamp" in detail(course, "occlusion_suspected")

    @pytest.mark.parametrize("unseen", [{"n": 359}, {"missing": range(359, 420)}], ids=["end", "hole"])
    def test_just_after_handling_it_must_outlast_a_clamp_whose_opening_nobody_saw(
        self, unseen: dict[str, Any]
    ) -> None:
        dry = {"still": True, "leak": lambda t: 15.0 if t < 300 else 2.0}
        handled = dry | {"state": lambda t: "pause" if 297 <= t < 299 else "run"}
        assert suspected(blocked(**handled, **unseen)) == []
        assert suspected(blocked(**dry, **unseen)) == [(300, 59, "probable")]
        later = {"n": 365} if "n" in unseen else {"missing": range(365, 420)}
        assert suspected(blocked(**handled, **later)) == [(300, 65, "possible")]

    def test_just_after_handling_an_undated_stop_may_be_a_forgotten_clamp_for_an_hour(self) -> None:
        def dry(to: int, **more: Any) -> list[tuple[int, int, str | None]]:
            # Breathing last traced at 296, absence first at 304: with traces 8 min apart no onset is dated.
            return suspected(blocked(to=to, leak=lambda t: 2.0, traces=8, still=True, **more))

        handled = {"state": lambda t: "pause" if 297 <= t < 299 else "run"}
        # Seen last at 360 and 368: for 56 min, as long as a clamp may last, and for 64.
        assert [grade for *_, grade in dry(368)] == ["possible"]
        assert dry(368, **handled) == []
        assert [grade for *_, grade in dry(376, **handled)] == ["possible"]

    def test_breathing_alone_that_goes_at_an_unknown_pace_is_no_suspicion(self) -> None:
        dry = {"leak": lambda t: 2.0, "rate": 0.09, "from_": 304}
        assert suspected(blocked(**dry)) == [(304, 96, "possible")]
        assert suspected(blocked(**dry, traces=8)) == []

    def test_with_traces_far_apart_the_pressure_tells_a_stop_from_a_fading(self) -> None:
        dry = {"leak": lambda t: 2.0, "rate": 0.09, "traces": 10}
        assert suspected(blocked(**dry, still=True)) == [(300, 100, "possible")]
        assert suspected(blocked(**dry)) == []

    def test_the_minute_of_the_stop_may_still_move(self) -> None:
        moves = {
            "low": lambda t: -20.3 if t == 300 else -20.0 if 300 < t < 400 else -21.5,
            "high": lambda t: -19.7 if t == 300 else -19.8 if 300 < t < 400 else -18.5,
        }
        assert suspected(blocked(**moves)) == [(300, 100, "probable")]

    def test_undecided_traces_before_a_stop_do_not_make_it_a_slow_one(self) -> None:
        def doubtful(t: int) -> str:
            return "indeterminate" if 285 <= t < 300 else "absent" if 300 <= t < 400 else "present"

        assert suspected(blocked(breath=doubtful, traces=5, still=True)) == [(300, 100, "possible")]
        assert suspected(blocked(breath=doubtful, traces=5)) == []

    def test_where_no_pressure_is_read_the_onset_is_unresolved_and_flow_decides(self) -> None:
        unread: dict[str, Any] = {"low": None, "high": None, "traces": 10}
        assert [grade for *_, grade in suspected(blocked(**unread))] == ["possible"]
        assert suspected(blocked(**unread, leak=lambda t: 2.0, rate=0.09)) == []

    def test_a_device_that_rings_agrees_where_nothing_else_dates_the_stop(self) -> None:
        quiet: dict[str, Any] = {"low": None, "high": None, "traces": 10, "leak": lambda t: 2.0, "rate": 0.09}
        rings = suspected(blocked(**quiet, alerts=lambda t: ["line_blocked"] if 320 <= t < 400 else []))
        assert [grade for *_, grade in rings] == ["possible"]

    def test_probable_minutes_do_not_count_for_the_lung_and_possible_ones_do(self) -> None:
        sure, unsure = course_as_told(blocked(still=True)), course_as_told(blocked())
        assert set(sure.minutes["assessable"].to_list()[300:400]) == {False}
        assert set(unsure.minutes["assessable"].to_list()[300:400]) == {True}

    def test_released_where_breathing_returns_with_a_gush(self) -> None:
        assert "; released: " in detail(course_as_told(blocked(release=40.0)), "occlusion_suspected")
        assert "; released: " not in detail(
            course_as_told(blocked(release=3.0, rate=0.5)), "occlusion_suspected"
        )


class TestStaffDecide:
    def test_a_confirmed_occlusion_stands_as_theirs(self) -> None:
        use = Use(200, breath=lambda t: "absent" if 50 <= t < 90 else "present")
        course = course_as_told(use, annotations=[(use.use_id, at(50), at(90), "confirmed_occlusion")])
        assert stretches(course, "occlusion_suspected") == [(50, 40, "annotated")]
        assert set(course.minutes["assessable"].to_list()[50:90]) == {False}

    def test_a_refuted_suspicion_is_not_raised(self) -> None:
        use = blocked()
        assert suspected(use, annotations=[(use.use_id, at(350), None, "refuted")]) == []
        assert suspected(use, annotations=[(use.use_id, at(420), None, "refuted")]) == [
            (300, 100, "possible")
        ]

    def test_a_noted_clamp_is_no_occlusion(self) -> None:
        use = blocked()
        assert suspected(use, annotations=[(use.use_id, at(300), at(400), "clamp_trial")]) == []


def test_the_figures_are_those_of_the_definitions() -> None:
    patient = DEFINITIONS.model_copy(
        update={"occlusion": DEFINITIONS.occlusion.model_copy(update={"least": 120})}
    )
    assert suspected(blocked(), definitions=patient) == []


def test_the_end_of_a_walk_in_a_lung_that_has_come_up_is_no_stop() -> None:
    # Traces of a walk may show a rhythm; breathing that was there for hours is another matter.
    def walked(minutes: int) -> Use:
        return blocked(
            700,
            from_=400,
            to=600,
            leak=lambda t: 2.0,
            breath=lambda t: "present" if 400 - minutes <= t < 400 or t >= 600 else "absent",
        )

    assert suspected(walked(59)) == []
    assert suspected(walked(60)) == [(400, 200, "possible")]


def test_a_rhythm_seen_while_the_drain_is_carried_dates_nothing() -> None:
    # The lung came up three hours ago; on a walk the traces show the rhythm of the steps.
    def walks(t: int) -> bool:
        return 500 <= t < 520

    def came_up(tilt: float) -> Use:
        return Use(
            800,
            traces=5,
            breath=lambda t: "present" if t < 300 or walks(t) else "absent",
            leak=0.0,
            tilt=lambda t: (5.0 + tilt * (t % 2)) if walks(t) else 1.0,
            volume=lambda t: round(20 + 0.5 * min(t, 520), 1),
            low=lambda t: -21.5 if t < 300 or walks(t) else -20.1,
            high=lambda t: -18.5 if t < 300 or walks(t) else -19.9,
        )

    assert stretches(course_as_logged(came_up(20.0)), "occlusion_suspected") == []
    standing = course_as_logged(came_up(0.0))
    assert [begun for begun, *_ in stretches(standing, "occlusion_suspected")] == [520]
