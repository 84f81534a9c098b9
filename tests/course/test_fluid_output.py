"""Fluid: what came out, through canister changes, tilt, noise and holes."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.course.bedside import Use, at, course_as_told


def output(use: Use) -> list[float | None]:
    return course_as_told(use).minutes["output_ml"].to_list()


def changed_at(*minutes: int, rate: float = 1.0) -> Callable[[int], float]:
    """Readings of canisters changed at these minutes, filling at `rate` mL/min."""
    return lambda t: round(rate * (t - max(m for m in (0, *minutes) if m <= t)), 1)


class TestFirstCanister:
    def test_counts_from_its_first_reading_where_the_log_does_not_show_the_use_begin(self) -> None:
        assert output(Use(30, volume=lambda t: 200.0 + t))[-1] == 29.0

    def test_counts_from_nil_where_it_does(self) -> None:
        use = Use(
            30, volume=lambda t: 20.0 + t, begins_with_check=True, state=lambda t: "check" if t < 3 else "run"
        )
        assert output(use)[-1] == 49.0

    def test_exactly_thirty_is_still_an_empty_canister(self) -> None:
        assert output(Use(3, volume=30.0, begins_with_check=True)) == [30.0] * 3
        assert output(Use(3, volume=30.1, begins_with_check=True)) == [0.0] * 3


def test_a_canister_changed_in_a_hole_tells_for_how_long_it_was_not_read() -> None:
    def unread(*gone: int) -> list[int | None]:
        course = course_as_told(Use(400, volume=changed_at(200), missing=range(*gone)))
        return course.canisters["unread_minutes"].to_list()

    assert unread(0) == [0, None]
    assert unread(150, 260) == [110, None]
    # A hole after the change hides nothing of the old canister.
    assert unread(230, 260) == [0, None]


class TestCanisterChange:
    def test_output_goes_on_where_the_canister_begins_anew(self) -> None:
        course = course_as_told(Use(400, volume=changed_at(200)))
        assert course.minutes["output_ml"].to_list()[195:205] == [
            195,
            196,
            197,
            198,
            199,
            199,
            200,
            201,
            202,
            203,
        ]
        assert course.minutes["canister_no"].to_list()[199:201] == [1, 2]
        assert course.canisters.select("canister_no", "fitted_at", "removed_at", "volume_ml").rows() == [
            (1, at(0), at(200), 199.0),
            (2, at(200), None, 199.0),
        ]

    def test_a_small_fall_is_no_change(self) -> None:
        assert course_as_told(Use(100, volume=lambda t: 50.0 if t < 50 else 21.0)).canisters.height == 1

    def test_a_fall_of_thirty_that_is_less_than_half_is_no_change(self) -> None:
        assert course_as_told(Use(100, volume=lambda t: 200.0 if t < 50 else 101.0)).canisters.height == 1
        assert course_as_told(Use(100, volume=lambda t: 200.0 if t < 50 else 100.0)).canisters.height == 2

    def test_beside_a_pause_a_fall_to_ten_is_enough(self) -> None:
        def volume(t: int) -> float:
            return 21.0 if t < 50 else 8.0

        assert course_as_told(Use(100, volume=volume)).canisters.height == 1
        paused = Use(100, volume=volume, state=lambda t: "pause" if 47 <= t < 50 else "run")
        assert course_as_told(paused).canisters.height == 2

    def test_jitter_beside_a_pause_is_no_change(self) -> None:
        use = Use(
            100, volume=lambda t: 10.4 if t % 2 else 8.6, state=lambda t: "pause" if 40 <= t < 60 else "run"
        )
        assert course_as_told(use).canisters.height == 1

    def test_a_fall_that_recovers_within_ten_minutes_is_no_change_and_no_fluid(self) -> None:
        use = Use(200, volume=lambda t: 5.0 if 100 <= t < 109 else 200.0 + t)
        course = course_as_told(use)
        assert course.canisters.height == 1
        assert course.minutes["output_ml"].to_list()[-1] == 199.0
        assert course.minutes["output_ml"].to_list()[99:110] == [99.0] * 10 + [109.0]

    def test_a_fall_that_the_end_of_the_log_leaves_open_is_no_change(self) -> None:
        assert course_as_told(Use(100, volume=changed_at(92))).canisters.height == 1

    def test_a_bump_upwards_brings_no_fluid(self) -> None:
        assert output(Use(100, volume=lambda t: 400.0 if t in (50, 51) else 100.0))[-1] == 0.0

    def test_a_bump_just_before_the_change_brings_none_either(self) -> None:
        use = Use(100, volume=lambda t: 500.0 if t == 49 else 300.0 if t < 50 else 2.0)
        assert output(use)[-1] == 2.0

    def test_a_steep_true_rise_is_all_counted(self) -> None:
        assert output(Use(120, volume=lambda t: min(t * 25.0, 1500.0), begins_with_check=True))[-1] == 1500.0

    def test_a_change_in_a_hole_counts_the_old_ones_last_and_the_new_ones_first(self) -> None:
        use = Use(
            400, volume=lambda t: 100.0 + t if t < 200 else 40.0 + (t - 320) * 0.5, missing=range(180, 320)
        )
        filled = output(use)
        assert filled[179] == 179.0
        assert filled[250] == 179.0
        assert filled[320] == 179.0 + 40.0

    def test_after_hours_unread_a_new_canister_may_be_filling_fast(self) -> None:
        # 364 mL before four unread hours, 285 after them and 2 mL more a minute.
        use = Use(
            600,
            volume=lambda t: 68.0 + t if t <= 300 else 285.0 + 2 * (t - 540),
            missing=range(301, 540),
        )
        assert course_as_told(use).canisters["fitted_at"].to_list() == [at(0), at(540)]

    def test_one_that_soon_holds_what_the_old_one_held_fills_without_a_leap(self) -> None:
        def after_unread(then: Callable[[int], float]) -> int:
            use = Use(600, volume=lambda t: 108.0 + t if t < 200 else then(t - 500), missing=range(200, 500))
            return course_as_told(use).canisters.height

        assert after_unread(lambda t: 230.0 + 9 * t) == 2
        # A lean that ends five minutes later leaps.
        assert after_unread(lambda t: 230.0 + t if t < 5 else 308.0 + t) == 1

    def test_after_hours_unread_a_lower_canister_is_a_new_one(self) -> None:
        course = course_as_told(
            Use(800, volume=lambda t: 300.0 if t < 100 else 220.0, missing=range(100, 600))
        )
        assert course.canisters["volume_ml"].to_list() == [0.0, 220.0]

    def test_changed_while_it_lay_on_its_side(self) -> None:
        use = Use(300, volume=changed_at(150), tilt=lambda t: 80.0 if 140 <= t < 160 else 0.0)
        assert output(use)[-1] == pytest.approx(139 + 149, abs=0.05)

    def test_one_canister_after_another(self) -> None:
        course = course_as_told(Use(1000, volume=changed_at(200, 500, 800)))
        assert course.canisters["volume_ml"].to_list() == [199.0, 299.0, 299.0, 199.0]


class TestReadNowAndThen:
    """Some logs hold a volume every half hour: levels are told over minutes, not over readings."""

    @pytest.mark.parametrize(("every", "ml_h", "change"), [(30, 100, 120), (60, 100, 240), (10, 400, 60)])
    def test_every_canister_counts_however_seldom_it_is_read(
        self, every: int, ml_h: int, change: int
    ) -> None:
        hours = 48 if ml_h == 100 else 20
        full = changed_at(*range(change, 60 * hours, change), rate=ml_h / 60)
        read = range(0, 60 * hours, every)
        course = course_as_told(Use(60 * hours, volume=lambda t: full(t) if t in read else None))
        canisters = 60 * hours // change
        assert course.canisters.height == canisters
        # What came between a canister's last reading and its change went unread.
        told = course.minutes["output_ml"].to_list()[-1]
        assert told == pytest.approx(canisters * round(ml_h * (change - every) / 60, 1), abs=1)

    @pytest.mark.parametrize("every", [2, 5, 10, 30, 60])
    def test_a_single_low_reading_is_no_change(self, every: int) -> None:
        use = Use(1200, volume=lambda t: (5.0 if t == 600 else 200.0) if t % every == 0 else None)
        course = course_as_told(use)
        assert course.canisters.height == 1
        assert course.minutes["output_ml"].to_list()[-1] == 0.0


class TestUnread:
    def test_before_the_first_reading_nothing_is_known(self) -> None:
        assert output(Use(5, volume=lambda t: None if t < 2 else 10.0)) == [None, None, 0.0, 0.0, 0.0]

    def test_without_any_reading_there_is_no_output_and_no_canister(self) -> None:
        course = course_as_told(Use(50, volume=None))
        assert course.minutes["output_ml"].null_count() == 50
        assert course.canisters.height == 0

    def test_unread_minutes_carry_the_last_value(self) -> None:
        assert output(Use(6, volume=lambda t: float(t) if t in (0, 1, 5) else None)) == [0, 1, 1, 1, 1, 5]


class TestLeansThatNoAngleTells:
    @staticmethod
    def leaning(by: float, *hours: tuple[int, int], n: int = 1500) -> list[float | None]:
        def leans(t: int) -> bool:
            return any(60 * begin <= t < 60 * end for begin, end in hours)

        use = Use(n, volume=lambda t: round(200 + t / 30 + (by if leans(t) else 0), 1), tilt=None)
        return output(use)

    @pytest.mark.parametrize("by", [80.0, -80.0])
    def test_what_leaps_and_leaps_back_is_no_fluid(self, by: float) -> None:
        filled = self.leaning(by, (3, 8))
        assert set(filled[180:480]) == {filled[179]}
        assert filled[480] == pytest.approx(16, abs=0.1)

    @pytest.mark.parametrize("by", [80.0, -80.0])
    def test_between_two_of_them_fluid_counts(self, by: float) -> None:
        filled = self.leaning(by, (3, 5), (6, 9))
        assert filled[320] == pytest.approx(320 / 30, abs=0.1)
        assert filled[-1] == pytest.approx(1499 / 30, abs=0.1)

    def test_carried_about_before_it_is_laid_down(self) -> None:
        jolts = random.Random(7)

        def volume(t: int) -> float:
            carried = jolts.gauss(0, 60) if 180 <= t < 200 else -80.0 if 200 <= t < 400 else 0.0
            return round(300 + t / 30 + carried, 1)

        # Small jolts remain; the output is to be right within 10 mL.
        filled = output(Use(700, volume=volume, tilt=None))
        assert all(told == pytest.approx(t / 30, abs=10) for t, told in enumerate(filled))

    def test_a_few_jolts_are_no_level_to_come_back_to(self) -> None:
        # Carried upright for two minutes after a tilt, then laid down for a quarter of an hour.
        jolts = {109: 215.0, 110: 245.0}
        use = Use(
            700,
            volume=lambda t: jolts.get(t, 165.0 if 111 <= t < 126 else round(200 + t / 60, 1)),
            tilt=lambda t: 40.0 if 93 <= t < 107 else 2.0,
        )
        minutes = course_as_told(use).minutes
        assert minutes["volume_read"].to_list()[126:] == [True] * 574
        # The jolt of 15 mL remains among the readings; the fit spreads it over those that follow.
        assert minutes["output_ml"].to_list()[126] == pytest.approx(126 / 60, abs=1)

    def test_a_leap_that_is_not_taken_back_is_fluid(self) -> None:
        gush = output(Use(900, volume=lambda t: 200.0 + (60 if t >= 300 else 0)))
        assert gush[-1] == 60.0

    def test_nor_is_one_that_is_taken_back_a_day_later(self) -> None:
        # What leaps down then leans as well as what leapt up before: the first is believed.
        assert self.leaning(80.0, (3, 18), n=1200)[600] == pytest.approx(100, abs=8)


@st.composite
def stays(draw: st.DrawFn) -> tuple[list[float], list[float], list[int]]:
    """Truth of a stay and its noisy readings: rates by the hour, canisters changed when 400 mL full."""
    rates = draw(st.lists(st.floats(0, 120), min_size=2, max_size=12))
    noise = random.Random(draw(st.integers(0, 10**6)))
    truth, readings, paused = [], [], []
    total = fitted_from = 0.0
    pause_until = -1
    for minute in range(len(rates) * 60):
        total += rates[minute // 60] / 60
        if total - fitted_from > 400:
            fitted_from, pause_until = total, minute + 3
        if minute < pause_until:
            paused.append(minute)
        truth.append(total)
        readings.append(round(max(0.0, total - fitted_from + noise.gauss(0, 1.5)), 1))
    return truth, readings, paused


@settings(max_examples=40, deadline=None)
@given(stays())
def test_hour_by_hour_the_error_is_at_most_ten_millilitres_or_two_percent(
    stay: tuple[list[float], list[float], list[int]],
) -> None:
    truth, readings, paused = stay
    use = Use(
        len(truth), volume=readings, state=lambda t: "pause" if t in paused else "run", begins_with_check=True
    )
    for hour, (told, true) in enumerate(zip(output(use)[59::60], truth[59::60], strict=True)):
        assert told is not None
        assert abs(told - true) <= max(10.0, 0.02 * true), (hour, told, true)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.one_of(st.none(), st.floats(0, 2000)), min_size=1, max_size=150),
    st.lists(st.sampled_from([0.0, 60.0]), min_size=150, max_size=150),
)
def test_whatever_the_readings_output_never_falls(volumes: list[float | None], tilts: list[float]) -> None:
    known = [
        ml for ml in output(Use(len(volumes), volume=volumes, tilt=tilts[: len(volumes)])) if ml is not None
    ]
    assert all(later >= earlier >= 0 for earlier, later in itertools.pairwise(known))


@settings(max_examples=20, deadline=None)
@given(stays(), st.integers(0, 10**6), st.integers(5, 90), st.integers(1, 40))
def test_what_a_leaning_canister_reads_changes_nothing(
    stay: tuple[list[float], list[float], list[int]], seed: int, every: int, leaning: int
) -> None:
    _, readings, paused = stay
    rng = np.random.default_rng(seed)

    def leans(t: int) -> bool:
        return t % (every + leaning) >= every

    def settling(t: int) -> bool:
        return any(t - k >= 0 and leans(t - k) for k in range(3))

    nonsense = [float(x) for x in np.round(rng.uniform(0, 2000, len(readings)), 1)]
    told = [
        output(
            Use(
                len(readings),
                volume=[
                    other if settling(t) else ml
                    for t, (ml, other) in enumerate(zip(readings, wrong, strict=True))
                ],
                tilt=lambda t: 70.0 if leans(t) else 2.0,
                state=lambda t: "pause" if t in paused else "run",
            )
        )
        for wrong in (readings, nonsense)
    ]
    assert told[0] == told[1]


def test_a_canister_carried_about_on_a_device_without_an_angle_gives_no_fluid() -> None:
    """Its level leaps up, tosses by some ten millilitres a minute, and is emptied before it is set down."""
    toss = random.Random(4)

    def carried(by: float) -> list[float | None]:
        def level(t: int) -> float:
            if t >= 460:
                return float(round((t - 460) / 10))
            above = 25 + toss.uniform(-by, by) if 400 <= t < 460 else toss.uniform(-1, 1)
            return float(round(200 + t / 10 + above))

        return output(Use(600, volume=level, tilt=None))

    tossed = carried(20.0)
    assert tossed[440] == pytest.approx(38, abs=4)
    # What flowed meanwhile went into a canister that nobody read again: the two minutes' worth are not made up.
    assert tossed[599] == pytest.approx(38 + 14, abs=4)
    # A leap that stays is fluid that came at once; readings that only jitter are no reason to doubt it.
    assert carried(3.0)[440] == pytest.approx(44 + 25, abs=4)


def test_a_lean_that_began_within_the_minute_before_is_no_fluid() -> None:
    """The minute's angle, a mean, passes for upright; its reading, the last one, is of a leaning canister."""

    def leaning(angle: float) -> list[float | None]:
        use = Use(
            300,
            volume=lambda t: 25.0 + t if t == 99 else 45.0 + t if 100 <= t < 140 else float(t),
            tilt=lambda t: angle if t == 99 else 40.0 if 100 <= t < 140 else 2.0,
        )
        return output(use)

    assert leaning(4.5)[98:110] == [98.0] * 12
    assert leaning(4.5)[142:145] == [142.0, 143.0, 144.0]
    assert leaning(2.1)[99] != 98.0  # nothing says that it had begun to lean


def test_a_lean_that_comes_on_over_minutes_is_no_fluid() -> None:
    def leans(t: int) -> float:
        return 8.5 if 97 <= t < 100 else 20.0 if 100 <= t < 140 else 2.0

    use = Use(300, volume=lambda t: 25.0 + t if leans(t) > 2 else float(t), tilt=leans)
    assert output(use)[95:110] == [95.0] + [96.0] * 14
    assert output(use)[142:145] == [142.0, 143.0, 144.0]


def test_a_device_that_is_carried_between_two_leans_reads_no_fluid() -> None:
    def leans(t: int) -> float:
        return 20.0 if 100 <= t < 104 or 112 <= t < 115 else 5.0 if 104 <= t < 112 else 2.0

    use = Use(300, volume=lambda t: 48.0 + t if leans(t) > 2 else float(t), tilt=leans)
    assert output(use)[96:116] == [96.0, 97.0, 98.0] + [99.0] * 17
    assert output(use)[120:122] == [120.0, 121.0]
