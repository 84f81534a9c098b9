"""Flags that a minute's own readings decide: tilt, pause, suction, line open, cough and motion."""

from __future__ import annotations

import polars as pl
import pytest

from tests.course.bedside import DEFINITIONS, Use, course_as_told, detail, stretches


def test_exactly_ten_degrees_is_not_tilted() -> None:
    course = course_as_told(Use(30, tilt=lambda t: 10.0 if t < 15 else 10.1))
    assert stretches(course, "tilted") == [(15, 15, None)]
    assert detail(course, "tilted") == "tilt up to 10.1 deg (limit 10.0)"


def test_where_tilt_is_blank_nothing_says_the_device_leaned() -> None:
    course = course_as_told(Use(30, tilt=None))
    assert stretches(course, "tilted") == []
    assert course.minutes["output_ml"].null_count() == 0


def test_a_reading_is_not_trusted_for_two_minutes_after_tilt_and_those_are_not_tilt() -> None:
    course = course_as_told(Use(30, tilt=lambda t: 45.0 if 10 <= t < 13 else 1.0, volume=lambda t: float(t)))
    assert stretches(course, "tilted") == [(10, 3, None)]
    output = course.minutes["output_ml"].to_list()
    assert output[9:16] == [9.0, 9.0, 9.0, 9.0, 9.0, 9.0, 15.0]


def test_a_pause_broken_by_a_hole_is_two_pauses() -> None:
    course = course_as_told(Use(30, state=lambda t: "pause" if 5 <= t < 15 else "run", missing=[9]))
    assert stretches(course, "paused") == [(5, 4, None), (10, 5, None)]


class TestSuctionShortfall:
    def test_eight_short_of_twenty_for_ten_minutes(self) -> None:
        course = course_as_told(Use(40, mean=lambda t: -12.0 if 10 <= t < 20 else -20.0))
        assert stretches(course, "suction_shortfall") == [(10, 10, None)]
        assert detail(course, "suction_shortfall") == (
            "short by 8.0 cm[H2O] at the median, at most 8.0, where -20.0 was ordered"
        )

    def test_nine_minutes_are_too_few(self) -> None:
        assert (
            stretches(
                course_as_told(Use(40, mean=lambda t: -12.0 if 10 <= t < 19 else -20.0)), "suction_shortfall"
            )
            == []
        )

    def test_exactly_a_fifth_short_is_not_short(self) -> None:
        assert stretches(course_as_told(Use(40, mean=-16.0)), "suction_shortfall") == []
        assert stretches(course_as_told(Use(40, mean=-15.99)), "suction_shortfall") == [(0, 40, None)]

    def test_at_a_weak_setting_two_centimetres_decide(self) -> None:
        assert stretches(course_as_told(Use(40, set_pressure=-5.0, mean=-3.0)), "suction_shortfall") == []
        assert stretches(course_as_told(Use(40, set_pressure=-5.0, mean=-2.9)), "suction_shortfall") == [
            (0, 40, None)
        ]

    def test_pulling_harder_than_ordered_is_not_short(self) -> None:
        assert stretches(course_as_told(Use(40, mean=-30.0)), "suction_shortfall") == []

    def test_a_paused_drain_is_not_short_of_suction(self) -> None:
        assert stretches(course_as_told(Use(40, mean=0.0, state="pause")), "suction_shortfall") == []

    @pytest.mark.parametrize("blank", ["mean", "set_pressure"])
    def test_a_blank_pressure_shows_nothing_and_ends_the_stretch(self, blank: str) -> None:
        told = {"mean": -12.0, "set_pressure": -20.0}
        holes = {**told, blank: lambda t: None if t == 8 else told[blank]}
        assert stretches(course_as_told(Use(17, **holes)), "suction_shortfall") == []

    def test_an_open_line_is_not_a_pump_that_fails(self) -> None:
        def open_line(t: int) -> bool:
            return 100 <= t < 112

        use = Use(
            300,
            leak=lambda t: 3000.0 if open_line(t) else 0.0,
            mean=lambda t: -2.0 if open_line(t) else -20.0,
            breath=lambda t: "absent" if open_line(t) else "present",
        )
        assert stretches(course_as_told(use), "suction_shortfall") == []

    def test_where_it_is_unresolved_whether_the_line_was_open_suction_was_short_all_the_same(self) -> None:
        use = Use(
            300,
            leak=lambda t: 3000.0 if 100 <= t < 140 else 0.0,
            mean=lambda t: -2.0 if 100 <= t < 140 else -20.0,
        )
        assert stretches(course_as_told(use), "suction_shortfall") == [(100, 40, None)]


class TestLineOpen:
    def open_for(self, minutes: int, **more: object) -> Use:
        def now(t: int) -> bool:
            return 10 <= t < 10 + minutes

        return Use(
            120,
            leak=lambda t: 2500.0 if now(t) else 0.0,
            mean=lambda t: -4.0 if now(t) else -20.0,
            breath=lambda t: "absent" if now(t) else "present",
            **more,  # type: ignore[arg-type]
        )

    def test_much_air_and_no_suction_for_two_minutes(self) -> None:
        assert stretches(course_as_told(self.open_for(2)), "line_open") == [(10, 2, None)]

    def test_one_minute_is_too_short(self) -> None:
        assert stretches(course_as_told(self.open_for(1)), "line_open") == []

    def test_a_large_leak_that_suction_masters_is_the_lung(self) -> None:
        assert stretches(course_as_told(Use(120, leak=2500.0, mean=-19.0)), "line_open") == []

    def test_exactly_half_the_suction_is_not_lost(self) -> None:
        assert stretches(course_as_told(Use(60, leak=2500.0, mean=-10.0)), "line_open") == []

    def test_up_to_thirty_minutes_it_is_open_and_beyond_unresolved(self) -> None:
        assert stretches(course_as_told(self.open_for(30)), "line_open") == [(10, 30, None)]
        assert stretches(course_as_told(self.open_for(31)), "line_open") == [(10, 31, "unresolved")]

    def test_where_breathing_is_seen_all_the_while_it_may_be_the_lung(self) -> None:
        def breathing(at: int) -> Use:
            def now(t: int) -> bool:
                return 10 <= t < 20

            return Use(
                60,
                leak=lambda t: 2500.0 if now(t) else 0.0,
                mean=lambda t: -4.0 if now(t) else -20.0,
                breath=lambda t: "absent" if now(t) and t != at else "present",
            )

        assert stretches(course_as_told(breathing(15)), "line_open") == [(10, 10, "unresolved")]
        # The first and the last minute may have been open in part only.
        assert stretches(course_as_told(breathing(10)), "line_open") == [(10, 10, None)]
        assert stretches(course_as_told(breathing(19)), "line_open") == [(10, 10, None)]

    def test_suction_that_comes_and_goes_while_much_air_flows_for_long_may_be_the_lungs(self) -> None:
        use = Use(
            120,
            leak=lambda t: 2500.0 if 10 <= t < 60 else 0.0,
            mean=lambda t: -4.0 if 20 <= t < 30 or 40 <= t < 44 else -12.0,
            breath="indeterminate",
        )
        assert stretches(course_as_told(use), "line_open") == [(20, 10, "unresolved"), (40, 4, "unresolved")]

    def test_a_pause_or_a_moment_below_the_limit_does_not_end_the_doubt(self) -> None:
        def use(second: int, until: int) -> Use:
            def much(t: int) -> bool:
                return 10 <= t < 30 or second <= t < until

            return Use(
                200,
                leak=lambda t: 2500.0 if much(t) else 1400.0 if 30 <= t < second else 0.0,
                mean=lambda t: -4.0 if 10 <= t < until else -20.0,
                state=lambda t: "pause" if t == 31 else "run",
                breath="indeterminate",
            )

        def told(use: Use) -> list[tuple[int, int, str | None]]:
            return stretches(course_as_told(use), "line_open")

        assert told(use(33, 44)) == [(10, 20, "unresolved"), (33, 11, "unresolved")]
        # Thirty minutes of it in all are not beyond thirty; and an hour later it is another spell.
        assert told(use(33, 43)) == [(10, 20, None), (33, 10, None)]
        assert told(use(90, 110)) == [(10, 20, None), (90, 20, None)]

    def test_the_device_itself_may_say_so(self) -> None:
        course = course_as_told(Use(30, alerts=lambda t: ["line_leak"] if t == 7 else []))
        assert stretches(course, "line_open") == [(7, 1, None)]
        assert "alert line_leak in 1 min" in detail(course, "line_open")

    def test_without_a_known_leak_only_the_alert_can_tell(self) -> None:
        assert stretches(course_as_told(Use(60, leak=None, mean=-3.0)), "line_open") == []


def test_cough_and_motion_need_a_trace_with_more_than_a_tenth_of_it() -> None:
    course = course_as_told(
        Use(
            40,
            traces=5,
            artefact=lambda t: "cough" if t < 20 else "motion",
            artefact_fraction=lambda t: {5: 0.1, 10: 0.11, 25: 0.4}.get(t, 0.0),
        )
    )
    assert stretches(course, "cough") == [(10, 1, None)]
    assert stretches(course, "motion") == [(25, 1, None)]
    assert detail(course, "motion") == "up to 40 % of a trace"


def test_flags_are_the_kinds_of_the_periods_in_force() -> None:
    course = course_as_told(
        Use(
            90,
            tilt=lambda t: 50.0 if t > 60 else 0.0,
            state=lambda t: "pause" if t > 70 else "run",
            leak=90.0,
        )
    )
    assert course.minutes["flags"].to_list()[40] == ["tidaling_present", "leak"]
    assert course.minutes["flags"].to_list()[65] == ["tidaling_present", "tilted", "leak"]
    by_flags = course.minutes.explode("flags").drop_nulls("flags")["flags"].value_counts()
    by_periods = course.periods.group_by("kind").agg(pl.col("minutes").sum())
    assert dict(by_flags.rows()) == dict(by_periods.rows())


def test_a_clock_step_inside_a_stretch_makes_its_length_uncertain() -> None:
    course = course_as_told(Use(30, state="pause", clock_step=lambda t: t == 12))
    assert detail(course, "paused") == "suction paused; clock step inside, length uncertain"
    at_the_start = course_as_told(
        Use(30, state=lambda t: "pause" if t >= 12 else "run", clock_step=lambda t: t == 12)
    )
    assert detail(at_the_start, "paused") == "suction paused"


def test_another_limit_needs_no_code() -> None:
    strict = DEFINITIONS.model_copy(update={"tilted": DEFINITIONS.tilted.model_copy(update={"limit": 5.0})})
    use = Use(10, tilt=7.0)
    assert stretches(course_as_told(use), "tilted") == []
    assert stretches(course_as_told(use, definitions=strict), "tilted") == [(0, 10, None)]
