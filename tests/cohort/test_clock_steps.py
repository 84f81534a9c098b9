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
