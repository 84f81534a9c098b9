"""How far a stepped clock puts the durations of a drain in doubt, from the log to the published drain."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.cohort import claim, summarise
from pipeline.definitions import Definitions
from schemas.lake import EVIDENCE, USE_ALERT, USE_CANISTER, USE_PERIOD
from schemas.registry import ANNOTATION, REGISTRY_DRAIN

HOUR = 60


@pytest.fixture
def published(
    uses_of: Callable[..., pl.DataFrame],
    use: Callable[..., dict],
    course_of_use: Callable[..., pl.DataFrame],
    at: Callable[[float], datetime],
    definitions: Definitions,
) -> Callable[..., tuple]:
    """Verdict and reason of the one drain of a use in no registry, whose device went on to another session."""

    def published(
        end: int,
        leak: Callable[[int], float],
        told_of: tuple[str, ...] = ("prolonged_leak", "prolonged_leak_reason"),
        **course: Any,
    ) -> tuple:
        row = use(end=end, later_session=True)
        uses = uses_of(row)
        claims = claim(uses, REGISTRY_DRAIN.empty(), bytes(32))
        told = summarise(
            claims, uses, course_of_use(row, leak, **course), EVIDENCE.empty(), USE_PERIOD.empty(), USE_ALERT.empty(),
            USE_CANISTER.empty(), ANNOTATION.empty(), definitions, (),
        )  # fmt: skip
        return told.drain.select(told_of).row(0)

    return published


def until(hours: float) -> Callable[[int], float]:
    return lambda minute: 100.0 if minute < hours * HOUR else 0.0


def test_a_step_without_a_hole_is_a_clock_set_back(published) -> None:
    back = {"clock_step": lambda i: i == 50 * HOUR}
    assert published(150, until(119.5)) == ("no", None)
    assert published(150, until(119.5), **back) == ("unknown", "clock_uncertain")
    assert published(150, until(90), **back) == ("no", None)


def test_a_step_behind_a_hole_may_have_taken_no_time(published) -> None:
    hole = {"observed": lambda i: not 50 * HOUR <= i < 53 * HOUR}
    leapt = hole | {"clock_step": lambda i: i == 53 * HOUR}
    assert published(150, until(121), **hole) == ("yes", None)
    assert published(150, until(121), **leapt) == ("unknown", "clock_uncertain")
    assert published(150, until(124), **leapt) == ("yes", None)
    assert published(150, until(110), **leapt) == ("no", None)


def test_a_step_before_the_first_minute_timed_nothing_of_the_drain(published) -> None:
    assert published(150, until(119.5), clock_step=lambda i: i == 0) == ("no", None)


def test_a_clock_whose_counter_tells_how_far_it_was_set_back_leaves_less_in_doubt(published) -> None:
    back = {"clock_step": lambda i: i == 50 * HOUR}
    assert published(150, until(118), **back, clock_step_minutes=lambda i: -60) == ("no", None)
    assert published(150, until(119.5), **back, clock_step_minutes=lambda i: -60) == (
        "unknown",
        "clock_uncertain",
    )


def test_a_clock_that_was_put_right_leaves_nothing_in_doubt(published) -> None:
    right = {"clock_step": lambda i: i == 50 * HOUR, "clock_step_minutes": lambda i: 0}
    assert published(150, until(119.5), **right) == ("no", None)


def test_of_a_hole_only_what_the_counter_leaves_open_is_in_doubt(published) -> None:
    hole = {"observed": lambda i: not 50 * HOUR <= i < 53 * HOUR}
    leapt = hole | {"clock_step": lambda i: i == 53 * HOUR, "clock_step_minutes": lambda i: 30}
    assert published(150, until(121), **leapt) == ("yes", None)


END = ("leak_hours", "leak_end_earliest_at", "leak_end_latest_at")


def test_hours_of_leak_across_a_clock_set_back_are_not_told_and_its_end_is_an_interval(published) -> None:
    back = {"clock_step": lambda i: i == 50 * HOUR, "clock_step_minutes": lambda i: -180}
    hours, earliest, latest = published(150, until(90), END)
    assert hours is not None
    assert earliest == latest
    assert published(150, until(90), END, **back) == (None, earliest, latest + timedelta(hours=3))


def test_hours_of_leak_across_a_leap_may_have_been_fewer(published) -> None:
    hole = {"observed": lambda i: not 50 * HOUR <= i < 53 * HOUR}
    leapt = hole | {"clock_step": lambda i: i == 53 * HOUR}
    _, earliest, latest = published(150, until(90), END, **hole)
    assert published(150, until(90), END, **leapt) == (None, earliest - timedelta(hours=3), latest)


def test_a_step_of_at_most_an_hour_leaves_the_hours_of_leak_and_widens_the_interval(published) -> None:
    back = {"clock_step": lambda i: i == 50 * HOUR, "clock_step_minutes": lambda i: -60}
    hours, earliest, latest = published(150, until(90), END)
    assert published(150, until(90), END, **back) == (hours, earliest, latest + timedelta(hours=1))


def test_a_step_after_the_leaks_end_changes_nothing_of_it(published) -> None:
    step = {"clock_step": lambda i: i == 100 * HOUR}
    assert published(150, until(90), END, **step) == published(150, until(90), END)


@pytest.fixture
def registered(
    uses_of: Callable[..., pl.DataFrame],
    use: Callable[..., dict],
    course_of_use: Callable[..., pl.DataFrame],
    registry_of: Callable[..., pl.DataFrame],
    drain: Callable[..., dict],
    definitions: Definitions,
) -> Callable[..., tuple]:
    """Verdict and reason of a drain whose times the registry has, on a device that was stepped before."""

    def registered(
        leak: Callable[[int], float],
        carried: int | None,
        begin: float = 0,
        told_of: tuple[str, ...] = VERDICT,
        **course: Any,
    ) -> tuple:
        row = use(end=150, clock_carried_minutes=carried, later_session=True)
        uses = uses_of(row)
        paper = registry_of(drain(in_at=begin, out_at=150, uses=["DV-1/1"]))
        told = summarise(
            claim(uses, paper, bytes(32)), uses, course_of_use(row, leak, **course), EVIDENCE.empty(),
            USE_PERIOD.empty(), USE_ALERT.empty(), USE_CANISTER.empty(), ANNOTATION.empty(), definitions, (),
        )  # fmt: skip
        return told.drain.select(told_of).row(0)

    return registered


VERDICT = ("prolonged_leak", "prolonged_leak_reason")


def test_a_step_in_an_earlier_patients_use_puts_a_time_of_the_registry_in_doubt(registered) -> None:
    assert registered(until(119.5), 0) == ("no", None)
    assert registered(until(119.5), -45) == ("unknown", "clock_uncertain")
    assert registered(until(119), -45) == ("no", None)
    assert registered(until(120.5), -45) == ("yes", None)


def test_of_a_step_whose_size_nobody_can_tell_up_to_a_day_is_assumed_afterwards_too(registered) -> None:
    assert registered(until(97), None) == ("unknown", "clock_uncertain")
    assert registered(until(95), None) == ("no", None)


def test_a_log_that_is_its_own_clock_is_not_in_doubt_for_what_happened_before_it(published, use) -> None:
    # No registry: origin and end of the leak are by the same clock.
    assert published(150, until(119.5)) == ("no", None)
    assert published(150, until(119.5), clock_step=lambda i: i == 0) == ("no", None)


def test_a_step_in_the_use_before_the_tube_went_in_counts_as_an_earlier_one(registered) -> None:
    back = {"clock_step": lambda i: i == HOUR, "clock_step_minutes": lambda i: -45}
    assert registered(until(121.5), 0, begin=2) == ("no", None)
    assert registered(until(121.5), 0, begin=2, **back) == ("unknown", "clock_uncertain")
    assert registered(until(121), 0, begin=2, **back) == ("no", None)
    off = back | {"clock_step_minutes": lambda i: 45}
    assert registered(until(121.5), 0, begin=2, **off) == ("no", None)


def test_the_end_of_a_leak_by_a_clock_that_was_set_back_before_is_an_interval(registered) -> None:
    hours, earliest, latest = registered(until(90), 0, told_of=END)
    assert registered(until(90), -45, told_of=END) == (hours, earliest, latest + timedelta(minutes=45))
    assert registered(until(90), None, told_of=END) == (None, earliest, latest + timedelta(hours=24))
