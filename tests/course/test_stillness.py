"""A leak that stops from one minute to the next with the pressure gone still: cause unknown, never a healed lung."""

from __future__ import annotations

from collections.abc import Callable

from tests.course.bedside import Use, course_as_told

STOPS, AGAIN = 300, 500


def flags_of(**told: object) -> list[list[str]]:
    return course_as_told(Use(800, traces=lambda t: False, **told)).minutes["flags"].to_list()  # type: ignore[arg-type]


def leaking(t: int) -> float:
    return 0.0 if STOPS <= t < AGAIN else 200.0


def low(t: int) -> float:
    return -19.9 if STOPS <= t < AGAIN else -21.5


def high(t: int) -> float:
    return -19.7 if STOPS <= t < AGAIN else -18.5


def test_a_leak_that_stops_at_once_with_a_still_pressure_has_an_unknown_cause() -> None:
    flags = flags_of(leak=leaking, low=low, high=high)
    assert [t for t, found in enumerate(flags) if "flow_stopped" in found] == list(range(STOPS, AGAIN))


def test_its_minutes_do_not_count_for_the_lung() -> None:
    minutes = course_as_told(Use(800, traces=lambda t: False, leak=leaking, low=low, high=high)).minutes
    assert not minutes["assessable"][STOPS:AGAIN].any()
    assert minutes["assessable"][:STOPS].all()


def test_a_lung_that_seals_at_once_goes_on_breathing_and_its_zeros_count() -> None:
    use = Use(800, traces=lambda t: False, leak=leaking)
    minutes = course_as_told(use).minutes
    assert not any("flow_stopped" in found for found in minutes["flags"].to_list())
    assert minutes["assessable"].all()


def test_a_leak_that_fades_over_an_hour_is_no_stop() -> None:
    def fading(t: int) -> float:
        return max(0.0, 200.0 - 3.0 * max(0, t - STOPS))

    flags = flags_of(
        leak=fading, low=lambda t: -19.9 if t > 360 else -21.5, high=lambda t: -19.7 if t > 360 else -18.5
    )
    assert not any("flow_stopped" in found for found in flags)


def test_what_nobody_saw_end_goes_on_behind_a_hole() -> None:
    flags = flags_of(leak=leaking, low=low, high=high, missing=range(350, 360))
    marked = [t for t, found in enumerate(flags) if "flow_stopped" in found]
    assert marked == [*range(STOPS, 350), *range(360, AGAIN)]


def test_a_walk_of_ten_minutes_does_not_end_it() -> None:
    def walking(t: int) -> bool:
        return 400 <= t < 410

    flags = flags_of(
        leak=leaking,
        low=lambda t: -21.5 if walking(t) else low(t),
        high=lambda t: -18.5 if walking(t) else high(t),
    )
    assert [t for t, found in enumerate(flags) if "flow_stopped" in found] == list(range(STOPS, AGAIN))


def test_a_stop_inside_a_hole_is_not_dated_and_not_raised() -> None:
    flags = flags_of(leak=leaking, low=low, high=high, missing=range(STOPS - 5, STOPS + 5))
    assert not any("flow_stopped" in found for found in flags)


def test_a_suspected_occlusion_says_more_and_stands_alone() -> None:
    told = course_as_told(
        Use(
            800,
            breath=lambda t: "absent" if STOPS <= t < AGAIN else "present",
            leak=leaking,
            low=low,
            high=high,
            volume=lambda t: 50 + 0.1 * min(t, STOPS) + 0.1 * max(0, t - AGAIN),
        )
    )
    flags = told.minutes["flags"].to_list()
    assert any("occlusion_suspected" in found for found in flags)
    assert not any({"occlusion_suspected", "flow_stopped"} <= set(found) for found in flags)


class TestFluidThatGoesOn:
    """A tube that drains as before is not blocked, whatever stopped the leak: the stop ends where that was read."""

    def marked(self, volume: Callable[[int], float | None], n: int = 1200, **told: object) -> list[int]:
        use = Use(
            n,
            traces=lambda t: False,
            leak=lambda t: 0.0 if t >= STOPS else 200.0,
            low=lambda t: -19.9 if t >= STOPS else -21.5,
            high=lambda t: -19.7 if t >= STOPS else -18.5,
            volume=volume,
            **told,  # type: ignore[arg-type]
        )
        flags = course_as_told(use).minutes["flags"].to_list()
        return [t for t, found in enumerate(flags) if "flow_stopped" in found]

    def test_shows_that_the_tube_is_open(self) -> None:
        # 6 mL/h: 20 mL have come 200 minutes after the stop.
        assert self.marked(lambda t: round(50 + t * 0.1, 1)) == list(range(STOPS, STOPS + 200))

    def test_a_tube_that_drains_nothing_stays_of_unknown_cause(self) -> None:
        assert self.marked(lambda t: round(50 + min(t, STOPS) * 0.1, 1)) == list(range(STOPS, 1200))

    def test_neither_does_a_dribble_show_it(self) -> None:
        dribble = lambda t: round(50 + min(t, STOPS) * 0.5 + max(0, t - STOPS) * 0.2, 1)  # noqa: E731
        assert self.marked(dribble) == list(range(STOPS, 1200))

    def test_a_tube_freed_later_is_open_from_the_gush_on(self) -> None:
        freed = lambda t: round(50 + min(t, STOPS) * 0.1 + (30.0 if t >= 1000 else 0.0), 1)  # noqa: E731
        assert self.marked(freed) == list(range(STOPS, 1000))

    def test_fluid_that_nobody_read_come_shows_nothing(self) -> None:
        before = lambda t: round(50 + t * 0.1, 1) if t < 250 or t > 900 else None  # noqa: E731
        assert self.marked(before, n=1000) == list(range(STOPS, 1000))

    def test_what_was_in_a_new_canister_is_not_fluid_of_the_stop(self) -> None:
        changed = lambda t: round(150 + min(t, STOPS) * 0.1, 1) if t < 700 else 25.0  # noqa: E731
        assert self.marked(changed) == list(range(STOPS, 1200))
