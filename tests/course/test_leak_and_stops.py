"""The leak of the lung, and the stops of flow that are not the lung's doing."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from tests.course.bedside import Use, at, course_as_told, detail, stretches


def leak_on(use: Use, **more: Any) -> list[bool | None]:
    return course_as_told(use, **more).minutes["leak_on"].to_list()


class TestLeak:
    def test_a_leak_above_twenty_is_on_and_exactly_twenty_is_not(self) -> None:
        assert set(leak_on(Use(90, leak=20.1))) == {True}
        assert set(leak_on(Use(90, leak=20.0))) == {False}

    def test_a_cough_is_not_a_leak(self) -> None:
        assert set(leak_on(Use(200, leak=lambda t: 900.0 if 95 <= t < 105 else 0.0))) == {False}

    def test_a_plateau_of_an_hour_is(self) -> None:
        course = course_as_told(Use(400, leak=lambda t: 80.0 if 150 <= t < 250 else 0.0))
        assert stretches(course, "leak") == [(150, 100, None)]
        assert (
            detail(course, "leak") == "median leak over an hour up to 80.0 mL/min; 100 of 100 min assessable"
        )

    def test_fewer_than_thirty_assessable_minutes_tell_nothing(self) -> None:
        assert set(leak_on(Use(29, leak=90.0))) == {None}
        assert set(leak_on(Use(30, leak=90.0))) == {True}

    def test_a_blank_leak_does_not_count_as_none(self) -> None:
        assert set(leak_on(Use(60, leak=lambda t: 90.0 if t < 31 else None))) == {True, None}
        assert set(leak_on(Use(60, leak=None))) == {None}

    def test_a_short_pause_does_not_cut_a_leak_in_two(self) -> None:
        use = Use(
            300,
            leak=lambda t: None if 100 <= t < 110 else 60.0,
            state=lambda t: "pause" if 100 <= t < 110 else "run",
        )
        assert stretches(course_as_told(use), "leak") == [(0, 300, None)]

    def test_a_long_hole_does(self) -> None:
        first, second = stretches(course_as_told(Use(600, leak=60.0, missing=range(100, 500))), "leak")
        assert first[0] == 0
        assert second[0] + second[1] == 600

    @pytest.mark.parametrize("length", [28, 45, 50, 55, 58])
    @pytest.mark.parametrize("beside", ["behind", "before", "both"])
    def test_a_hole_beside_a_puff_makes_no_more_of_it(self, length: int, beside: str) -> None:
        end = 200 + length
        gone = {*range(175, 200)} if beside != "behind" else set()
        gone |= {*range(end, end + 25)} if beside != "before" else set()

        def puff(missing: set[int]) -> Any:
            use = Use(900, leak=lambda t: 70.0 if 200 <= t < end else 0.0, missing=missing)
            return stretches(course_as_told(use), "leak")

        assert puff(gone) == puff(set())

    def test_where_the_missing_minutes_decide_it_is_unknown(self) -> None:
        on = leak_on(Use(900, leak=lambda t: 70.0 if 200 <= t < 228 else 0.0, missing=range(228, 253)))
        assert set(on[:200]) == {False}
        assert set(on[206:228]) == {None}
        assert set(on[253:]) == {False}

    @pytest.mark.parametrize("gone", [1, 25, 200])
    def test_a_steady_leak_is_on_right_up_to_the_hole(self, gone: int) -> None:
        course = course_as_told(Use(800, leak=21.0, missing=range(300, 300 + gone)))
        assert stretches(course, "leak") == [(0, 300, None), (300 + gone, 500 - gone, None)]
        observed = course.minutes.filter("observed")
        assert observed["leak_on"].all()
        assert course.minutes.filter(~pl.col("observed"))["flags"].to_list() == [["no_data"]] * gone

    def test_what_the_log_never_had_is_not_missing(self) -> None:
        # Before its first minute and after its last, and of a tube before it was in: nothing speaks for off.
        use = Use(200, leak=60.0, missing=range(90, 110))
        on = leak_on(use, cuts=[(use.use_id, at(100))])
        assert on[:90] == on[110:] == [True] * 90

    def test_an_end_in_a_hole_lies_between_the_minutes_beside_it(self) -> None:
        on = leak_on(Use(900, leak=lambda t: 70.0 if t < 420 else 0.0, missing=range(400, 440)))
        assert on[399] is True
        assert on[440] is False

    def test_air_through_an_open_line_is_not_the_lungs(self) -> None:
        def open_line(t: int) -> bool:
            return 100 <= t < 125

        use = Use(
            300,
            leak=lambda t: 3000.0 if open_line(t) else 0.0,
            mean=lambda t: -2.0 if open_line(t) else -20.0,
            breath=lambda t: "absent" if open_line(t) else "present",
        )
        course = course_as_told(use)
        assert stretches(course, "leak") == []
        assert course.minutes["assessable"].to_list()[98:127] == [True] * 2 + [False] * 25 + [True] * 2
        assert course.minutes["leak_on"].to_list()[110] is False

    def test_where_it_stayed_open_the_lungs_leak_is_unknown(self) -> None:
        def open_line(t: int) -> bool:
            return 100 <= t < 131

        use = Use(
            300,
            leak=lambda t: 3000.0 if open_line(t) else 0.0,
            mean=lambda t: -2.0 if open_line(t) else -20.0,
        )
        assert leak_on(use)[98:133] == [False] * 2 + [None] * 31 + [False] * 2

    def test_one_patients_leak_does_not_touch_the_next(self) -> None:
        use = Use(200, leak=lambda t: 100.0 if t < 100 else 0.0)
        on = leak_on(use, cuts=[(use.use_id, at(100))])
        assert on == [True] * 100 + [False] * 100
        assert leak_on(Use(200, leak=lambda t: 100.0 if t < 95 else 0.0))[95:100] == [False] * 5


def clamped_use(
    n: int = 300,
    *,
    stop: int = 100,
    back: int = 120,
    breath_back: int | None = None,
    paused: tuple[int, int] | None = (97, 100),
    traces: int = 1,
    **more: Any,
) -> Use:
    """A leaking, breathing drain that is paused, resumed with the line clamped, and opened again."""
    breathes = back if breath_back is None else breath_back

    def is_paused(t: int) -> bool:
        return paused is not None and paused[0] <= t < paused[1]

    return Use(
        n,
        state=lambda t: "pause" if is_paused(t) else "run",
        leak=lambda t: None if is_paused(t) else 0.0 if stop <= t < back else 80.0,
        breath=lambda t: "absent" if stop <= t < breathes else "present",
        traces=traces,
        **more,
    )


class TestClamped:
    def test_both_stop_after_a_pause_and_come_back_together(self) -> None:
        course = course_as_told(clamped_use())
        assert stretches(course, "clamped") == [(100, 20, None)]
        assert stretches(course, "flow_stopped") == []
        assert detail(course, "clamped") == (
            "after handling the leak fell from 80.0 to at most 10.0 mL/min and breathing stopped within 1 running "
            "minutes; both came back together after 20 min (leak 80.0 mL/min)"
        )

    def test_the_lungs_leak_goes_on_underneath(self) -> None:
        course = course_as_told(clamped_use(back=150))
        assert course.minutes["assessable"].to_list()[100:150] == [False] * 50
        assert set(course.minutes["leak_on"].to_list()) == {True, None}

    def test_after_a_canister_change_or_a_handled_alert_as_well(self) -> None:
        changed = clamped_use(paused=None, volume=lambda t: 300.0 if t < 99 else 0.0)
        alerted = clamped_use(paused=None, alerts=lambda t: ["canister_full"] if 80 <= t < 99 else [])
        assert stretches(course_as_told(changed), "clamped") == [(100, 20, None)]
        assert stretches(course_as_told(alerted), "clamped") == [(100, 20, None)]

    def test_three_minutes_after_the_pause_is_not_after_it(self) -> None:
        assert stretches(course_as_told(clamped_use(paused=(95, 98))), "clamped") == [(100, 20, None)]
        late = course_as_told(clamped_use(paused=(94, 97)))
        assert stretches(late, "clamped") == stretches(late, "flow_stopped") == []

    def test_a_stop_that_nobody_had_a_hand_in_is_neither(self) -> None:
        course = course_as_told(clamped_use(paused=None))
        assert stretches(course, "clamped") == stretches(course, "flow_stopped") == []

    def test_without_return_flow_has_stopped_and_nobody_knows_why(self) -> None:
        course = course_as_told(clamped_use(back=300))
        assert stretches(course, "clamped") == []
        assert stretches(course, "flow_stopped") == [(100, 200, None)]
        assert "the leak was not seen to come back, cause unknown" in detail(course, "flow_stopped")
        assert set(course.minutes["leak_on"].to_list()[140:]) == {None}

    def test_after_more_than_an_hour_it_was_no_forgotten_clamp(self) -> None:
        assert stretches(course_as_told(clamped_use(back=160)), "clamped") == [(100, 60, None)]
        late = course_as_told(clamped_use(back=161))
        assert stretches(late, "clamped") == []
        assert stretches(late, "flow_stopped") == [(100, 61, None)]

    def test_they_must_come_back_together(self) -> None:
        course = course_as_told(clamped_use(back=120, breath_back=135))
        assert stretches(course, "clamped") == []
        assert stretches(course, "flow_stopped") == [(100, 20, None)]

    def test_breathing_that_returns_alone_ends_the_stop(self) -> None:
        course = course_as_told(clamped_use(back=300, breath_back=130))
        assert stretches(course, "flow_stopped") == [(100, 30, None)]
        assert course.minutes["leak_on"].to_list()[-1] is False

    def test_traces_five_minutes_apart_date_it_well_enough(self) -> None:
        assert stretches(course_as_told(clamped_use(traces=5)), "clamped") == [(100, 20, None)]

    def test_traces_too_far_apart_do_not(self) -> None:
        course = course_as_told(clamped_use(traces=40, back=200))
        assert stretches(course, "clamped") == stretches(course, "flow_stopped") == []

    def test_a_lung_that_seals_breathes_on(self) -> None:
        use = clamped_use(back=300, breath_back=100)
        course = course_as_told(use)
        assert stretches(course, "clamped") == stretches(course, "flow_stopped") == []

    def test_nothing_is_dated_across_a_clock_step(self) -> None:
        course = course_as_told(clamped_use(clock_step=lambda t: t == 98))
        assert stretches(course, "clamped") == stretches(course, "flow_stopped") == []

    def test_nothing_is_said_across_a_hole(self) -> None:
        course = course_as_told(clamped_use(missing=[110]))
        assert stretches(course, "clamped") == []
        assert stretches(course, "flow_stopped") == [(100, 10, None)]


class TestClampedWithoutLeak:
    def dry(self, back: int = 130, *, n: int = 300, traces: int = 5, **more: Any) -> Use:
        told: dict[str, Any] = {
            "state": lambda t: "pause" if 97 <= t < 100 else "run",
            "leak": 0.0,
            "breath": lambda t: "absent" if 100 <= t < back else "present",
            **more,
        }
        return Use(n, traces=traces, **told)

    def test_where_there_is_no_leak_to_stop_breathing_alone_tells(self) -> None:
        course = course_as_told(self.dry())
        assert stretches(course, "clamped") == [(100, 28, None)]
        assert detail(course, "clamped") == (
            "after handling breathing stopped within 2 running minutes and came back after 28 min, seen to within "
            "5 min; no leak to stop (at most 0.0 mL/min)"
        )

    @pytest.mark.parametrize("unread", [0, 8])
    def test_a_canister_changed_while_the_drain_runs_and_the_line_is_shut_is_a_hand(
        self, unread: int
    ) -> None:
        # The line is clamped at 100; the new canister is first read at 101, or some minutes later.
        def volume(t: int) -> float | None:
            return 200.0 + 0.1 * t if t <= 100 else None if t <= 100 + unread else 0.05 * (t - 100)

        course = course_as_told(self.dry(state="run", traces=1, volume=volume))
        ((begins, minutes, _),) = stretches(course, "clamped")
        assert (begins, begins + minutes) == (100, 130)

    def test_one_changed_in_a_long_time_without_a_reading_dates_no_hand(self) -> None:
        def volume(t: int) -> float | None:
            return 200.0 + 0.1 * t if t < 90 else None if t < 112 else 0.05 * (t - 100)

        assert stretches(course_as_told(self.dry(state="run", traces=1, volume=volume)), "clamped") == []

    def test_not_without_a_hand_on_the_drain(self) -> None:
        assert stretches(course_as_told(self.dry(state="run")), "clamped") == []

    def test_not_when_breathing_stays_away(self) -> None:
        course = course_as_told(self.dry(back=300))
        assert stretches(course, "clamped") == stretches(course, "flow_stopped") == []
        assert stretches(course, "tidaling_absent") == [(100, 200, None)]

    def test_not_while_air_flows_on(self) -> None:
        assert stretches(course_as_told(self.dry(leak=15.0)), "clamped") == []

    def test_not_across_a_hole(self) -> None:
        assert stretches(course_as_told(self.dry(missing=[112])), "clamped") == []

    def test_not_when_the_leak_is_blank(self) -> None:
        assert stretches(course_as_told(self.dry(leak=None)), "clamped") == []


class TestClampTrial:
    def noted(self, start: int, end: int | None, use: Use, kind: str = "clamp_trial") -> Any:
        return course_as_told(
            use, annotations=[(use.use_id, at(start), None if end is None else at(end), kind)]
        )

    def test_staff_decide(self) -> None:
        course = self.noted(50, 80, Use(200, breath=lambda t: "absent" if 50 <= t < 80 else "present"))
        assert stretches(course, "clamped") == [(50, 30, "annotated")]
        assert detail(course, "clamped") == "staff noted clamp trial"
        assert course.minutes["assessable"].to_list()[49:81] == [True] + [False] * 30 + [True]

    def test_a_noted_trial_is_no_unexplained_stop(self) -> None:
        course = self.noted(97, 300, clamped_use(back=300))
        assert stretches(course, "clamped") == [(97, 203, "annotated")]
        assert stretches(course, "flow_stopped") == []

    def test_without_a_noted_end_it_lasts_until_flow_is_seen(self) -> None:
        assert stretches(self.noted(100, None, clamped_use()), "clamped") == [(100, 20, "annotated")]

    def test_or_until_the_tube_is_another(self) -> None:
        use = Use(200, breath="absent")
        course = course_as_told(
            use, cuts=[(use.use_id, at(90))], annotations=[(use.use_id, at(60), None, "clamp_trial")]
        )
        assert stretches(course, "clamped") == [(60, 30, "annotated")]

    def test_a_trial_before_or_after_the_use_marks_nothing(self) -> None:
        assert stretches(self.noted(-50, -10, Use(60)), "clamped") == []
        assert stretches(self.noted(60, 90, Use(60)), "clamped") == []
        assert stretches(self.noted(-50, 10, Use(60)), "clamped") == [(0, 10, "annotated")]

    @pytest.mark.parametrize("kind", ["note", "procedure", "ventilated"])
    def test_other_notes_clamp_nothing(self, kind: str) -> None:
        assert stretches(self.noted(10, 20, Use(60), kind), "clamped") == []


class TestOutputSurge:
    def test_more_than_four_hundred_in_two_hours(self) -> None:
        course = course_as_told(Use(300, volume=lambda t: 0.0 if t < 100 else min(4.1 * (t - 100), 410.0)))
        (begun, _, _), *_ = stretches(course, "output_surge")
        assert begun == 198
        assert detail(course, "output_surge") == "up to 410.0 mL read to have come within 120 min"

    def test_exactly_four_hundred_is_not(self) -> None:
        course = course_as_told(Use(300, volume=lambda t: 0.0 if t < 100 else min(4.0 * (t - 100), 400.0)))
        assert stretches(course, "output_surge") == []

    def test_fluid_that_came_at_an_unknown_time_is_no_surge(self) -> None:
        use = Use(700, volume=lambda t: 50.0 if t < 100 else 800.0, missing=range(100, 600))
        assert stretches(course_as_told(use), "output_surge") == []

    def test_a_canister_change_brings_no_surge(self) -> None:
        use = Use(400, volume=lambda t: 900.0 + 0.1 * t if t < 200 else 0.1 * (t - 200))
        assert stretches(course_as_told(use), "output_surge") == []

    def test_the_next_patients_fluid_is_counted_apart(self) -> None:
        use = Use(300, volume=lambda t: 3.0 * t)
        whole = course_as_told(use)
        assert stretches(whole, "output_surge") == []
        steep = Use(200, volume=lambda t: 4.0 * t)
        assert stretches(course_as_told(steep), "output_surge") != []
        assert stretches(course_as_told(steep, cuts=[(steep.use_id, at(100))]), "output_surge") == []


def test_assessable_is_running_and_nothing_in_the_way() -> None:
    course = course_as_told(
        Use(60, state=lambda t: "check" if t < 5 else "pause" if t > 50 else "run", missing=[20])
    )
    told = course.minutes.with_row_index("t").filter(~pl.col("assessable"))["t"].to_list()
    assert told == [*range(5), 20, *range(51, 60)]
