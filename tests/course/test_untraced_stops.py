"""Stops in logs without a single trace: what the minutes' least and greatest pressure, leak and fluid can tell."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from pipeline.course import Course
from tests.course.bedside import Use, at, course_as_logged, detail, stretches

STOPS = 300


def shut(
    until: int,
    *,
    n: int = 600,
    leak: float = 80.0,
    rate: float = 0.5,
    paused: bool = True,
    swing: float = 3.0,
    left: float = 0.2,
    **more: Any,
) -> Use:
    """An untraced drain whose line is shut from minute 300 on, most often after a pause of three minutes."""

    def is_shut(t: int) -> bool:
        return STOPS <= t < until

    def volume(t: int) -> float:
        return round(20 + rate * (min(t, STOPS) + max(0, t - until)), 1)

    def range_(t: int) -> float:
        return left if is_shut(t) else swing

    told: dict[str, Any] = {
        "state": lambda t: "pause" if paused and STOPS - 3 <= t < STOPS else "run",
        "leak": lambda t: 0.0 if is_shut(t) else leak,
        "volume": volume,
        "low": lambda t: round(-20 - range_(t) / 2, 2),
        "high": lambda t: round(-20 + range_(t) / 2, 2),
        **more,
    }
    return Use(n, traces=lambda t: False, **told)


def flagged(course: Course, kind: str) -> list[tuple[int, int, str | None]]:
    return stretches(course, kind)


class TestForgottenClampWithALeak:
    @pytest.mark.parametrize("minutes", [5, 12, 25, 59])
    def test_leak_and_pressure_that_stop_and_return_together_tell_it(self, minutes: int) -> None:
        course = course_as_logged(shut(STOPS + minutes))
        assert flagged(course, "clamped") == [(STOPS, minutes, "possible")]
        assert flagged(course, "flow_stopped") == []

    def test_its_detail_says_that_breathing_was_not_seen(self) -> None:
        assert detail(course_as_logged(shut(325)), "clamped") == (
            "after handling the leak fell from 80.0 to at most 10.0 mL/min and the pressure went still "
            "(max − min 3.0 to 0.2 cm[H2O]); both came back together after 25 min (leak 80.0 mL/min), told by "
            "leak and pressure, breathing itself not seen"
        )

    def test_the_lungs_leak_goes_on_underneath(self) -> None:
        minutes = course_as_logged(shut(350)).minutes
        assert set(minutes["assessable"].to_list()[STOPS:350]) == {False}
        assert False not in minutes["leak_on"].to_list()

    def test_a_pressure_that_moves_on_is_no_clamp(self) -> None:
        course = course_as_logged(shut(325, left=2.5))
        assert flagged(course, "clamped") == flagged(course, "flow_stopped") == []

    def test_after_more_than_an_hour_the_cause_is_unknown(self) -> None:
        course = course_as_logged(shut(361, rate=0.0))
        assert flagged(course, "clamped") == []
        assert flagged(course, "flow_stopped") == [(STOPS, 61, None)]

    def test_a_trace_that_shows_breathing_gone_before_speaks_against_it(self) -> None:
        use = shut(325)
        traced = Use(
            600,
            breath="absent",
            traces=lambda t: t == STOPS - 6,
            state=lambda t: "pause" if STOPS - 3 <= t < STOPS else "run",
            leak=lambda t: 0.0 if STOPS <= t < 325 else 80.0,
            low=lambda t: -20.1 if STOPS <= t < 325 else -21.5,
            high=lambda t: -19.9 if STOPS <= t < 325 else -18.5,
        )
        assert flagged(course_as_logged(use), "clamped") != []
        assert flagged(course_as_logged(traced), "clamped") == []


class TestForgottenClampWithoutALeak:
    @pytest.mark.parametrize("minutes", [5, 12, 25, 59])
    def test_breathing_by_the_envelope_stops_after_handling_and_comes_back(self, minutes: int) -> None:
        course = course_as_logged(shut(STOPS + minutes, leak=0.0))
        assert flagged(course, "clamped") == [(STOPS, minutes, None)]

    def test_nobodys_hand_no_clamp(self) -> None:
        assert flagged(course_as_logged(shut(325, leak=0.0, paused=False)), "clamped") == []

    def test_a_small_leak_that_stops_with_it_does_not_hide_it(self) -> None:
        assert flagged(course_as_logged(shut(325, leak=15.0)), "clamped") == [(STOPS, 25, None)]

    def test_a_cough_against_the_clamp_does_not_end_it(self) -> None:
        use = shut(
            340,
            leak=0.0,
            high=lambda t: -5.0 if t == 320 else -19.9 if STOPS <= t < 340 else -18.5,
        )
        assert flagged(course_as_logged(use), "clamped") == [(STOPS, 40, None)]


class TestOcclusion:
    def blocked(self, until: int = 450, **more: Any) -> Use:
        return shut(until, n=900, paused=False, **more)

    def test_without_a_leak_breathing_and_fluid_that_stop_are_at_most_possible(self) -> None:
        course = course_as_logged(self.blocked(leak=0.0))
        assert flagged(course, "occlusion_suspected") == [(STOPS, 150, "possible")]
        assert "onset unresolved" in detail(course, "occlusion_suspected")

    def test_with_a_leak_air_pressure_and_fluid_that_stop_together_are_possible(self) -> None:
        course = course_as_logged(self.blocked())
        assert flagged(course, "occlusion_suspected") == [(STOPS, 150, "possible")]
        told = detail(course, "occlusion_suspected")
        assert "what moved the pressure before, breath or pump, is not known" in told

    def test_its_cause_remains_unknown_so_its_minutes_do_not_count_for_the_lung(self) -> None:
        course = course_as_logged(self.blocked())
        assert flagged(course, "flow_stopped") == [(STOPS, 150, None)]
        assert set(course.minutes["assessable"].to_list()[STOPS:450]) == {False}

    def test_air_and_pressure_alone_are_of_unknown_cause(self) -> None:
        course = course_as_logged(self.blocked(rate=0.02))
        assert flagged(course, "occlusion_suspected") == []
        assert flagged(course, "flow_stopped") == [(STOPS, 150, None)]

    def test_unless_the_device_rings_that_the_line_is_blocked(self) -> None:
        use = self.blocked(rate=0.02, alerts=lambda t: ["line_blocked"] if 310 <= t < 450 else [])
        assert flagged(course_as_logged(use), "occlusion_suspected") == [(STOPS, 150, "possible")]

    def test_released_where_air_flows_again_with_a_gush(self) -> None:
        def gush(t: int) -> float:
            return round(20 + 0.5 * (min(t, STOPS) + max(0, t - 450)) + (30.0 if t >= 455 else 0.0), 1)

        course = course_as_logged(self.blocked(volume=gush))
        assert "released: " in detail(course, "occlusion_suspected")

    def test_a_tube_cleared_after_the_lung_came_up_does_not_hide_its_occlusion(self) -> None:
        # From 450 on fluid runs again, but breathing no longer reaches the device.
        use = self.blocked(
            leak=0.0,
            low=lambda t: -21.5 if t < STOPS else -20.1,
            high=lambda t: -18.5 if t < STOPS else -19.9,
        )
        ((begun, lasted, grade),) = flagged(course_as_logged(use), "occlusion_suspected")
        assert (begun, grade) == (STOPS, "possible")
        assert 150 <= lasted <= 200

    @pytest.mark.parametrize("hours", [1, 3, 8])
    @pytest.mark.parametrize("leak", [0.0, 60.0])
    def test_a_lung_that_comes_up_is_never_called_occlusion(self, hours: int, leak: float) -> None:
        def fades(from_: int) -> Callable[[int], float]:
            return lambda t: max(0.0, min(1.0, 1 - (t - from_) / (60 * hours)))

        swing, air = fades(400), fades(380)
        use = Use(
            500 + 60 * hours,
            traces=lambda t: False,
            leak=lambda t: round(leak * air(t), 1),
            low=lambda t: round(-20.1 - 1.5 * swing(t), 2),
            high=lambda t: round(-19.9 + 1.5 * swing(t), 2),
            volume=lambda t: round(20 + 0.3 * t, 1),
        )
        assert flagged(course_as_logged(use), "occlusion_suspected") == []


class TestSealedLung:
    def test_a_bump_that_ends_in_a_lung_that_came_up_is_no_stop(self) -> None:
        use = shut(
            340, n=900, paused=False, leak=0.0, rate=0.02, left=0.2, swing=0.2,
        )  # fmt: skip
        bump = Use(
            900,
            traces=lambda t: False,
            leak=lambda t: 60.0 if 290 <= t < STOPS else 0.0,
            low=lambda t: -20.4 if 290 <= t < STOPS else -20.1,
            high=lambda t: -19.6 if 290 <= t < STOPS else -19.9,
        )
        assert flagged(course_as_logged(use), "flow_stopped") == []
        course = course_as_logged(bump)
        assert flagged(course, "flow_stopped") == []
        assert course.minutes["leak_on"].to_list()[-1] is False

    def test_a_leak_that_closes_over_half_an_hour_is_none_however_still_its_end(self) -> None:
        def closing(t: int) -> float:
            return round(max(0.0, min(60.0, 60.0 * (400 - t) / 30)), 1)

        use = Use(
            1500,
            traces=lambda t: False,
            leak=closing,
            low=lambda t: -20.4 if t < 400 else -20.1,
            high=lambda t: -19.6 if t < 400 else -19.9,
        )
        course = course_as_logged(use)
        assert flagged(course, "flow_stopped") == []
        assert course.minutes["leak_on"].to_list()[-1] is False
        assert course.minutes["assessable"].all()


class TestRefuted:
    def test_a_stop_that_staff_refuted_is_not_raised_and_says_so(self) -> None:
        use = shut(450, n=900, paused=False)
        course = course_as_logged(use, annotations=[(use.use_id, at(350), None, "refuted")])
        assert flagged(course, "occlusion_suspected") == flagged(course, "flow_stopped") == []
        assert set(course.minutes["assessable"].to_list()[STOPS:450]) == {True}
        assert "staff refuted that flow was stopped or the tube blocked, 150 min" in detail(
            course, "tidaling_absent"
        )


class TestLeakThatComesBackInALungThatIsUp:
    def back(self, still_before: int, stops: int = 900) -> Use:
        """Breathing for five hours, then none; a leak of two hours that ends at once to the end of the log."""
        begins = 300 + still_before

        def range_(t: int) -> float:
            return 3.0 if t < 300 else 0.9 if begins <= t < stops else 0.2

        return Use(
            1500,
            traces=lambda t: False,
            leak=lambda t: 80.0 if begins <= t < stops else 0.0,
            low=lambda t: round(-20 - range_(t) / 2, 2),
            high=lambda t: round(-20 + range_(t) / 2, 2),
            volume=100.0,
        )

    def test_breathing_was_gone_before_it_so_only_the_leak_stopped(self) -> None:
        course = course_as_logged(self.back(still_before=300))
        assert flagged(course, "flow_stopped") == []
        assert course.minutes["leak_on"].to_list()[-1] is False

    def test_after_less_than_an_hour_of_stillness_nobody_knows(self) -> None:
        course = course_as_logged(self.back(still_before=50))
        assert flagged(course, "flow_stopped") == [(900, 600, None)]

    def test_the_stillness_of_a_stop_before_does_not_show_it_gone(self) -> None:
        def open_(t: int) -> bool:
            return t < 300 or 500 <= t < 700

        use = Use(
            1000,
            traces=lambda t: False,
            leak=lambda t: 80.0 if open_(t) else 0.0,
            low=lambda t: -21.5 if open_(t) else -20.1,
            high=lambda t: -18.5 if open_(t) else -19.9,
            volume=100.0,
        )
        assert flagged(course_as_logged(use), "flow_stopped") == [(300, 200, None), (700, 300, None)]
