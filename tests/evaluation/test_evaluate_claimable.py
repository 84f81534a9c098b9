"""Which true clamps and occlusions the definitions can claim, by the truth alone."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from tests.evaluation.evaluate_claimable import clamps, occlusions

START = datetime(2031, 3, 1, tzinfo=UTC)
SHUT = range(600, 630)  # minutes of the clamp; staff pause in the two before


def true_minutes(shut: range = SHUT, n: int = 1200, **changed: Callable[[int], object]) -> pl.DataFrame:
    """The truth of a stay: a lung that breathes and leaks, a line shut for some minutes after a pause."""
    truth: dict[str, Callable[[int], object]] = {
        "true_clamped": lambda t: t in shut,
        "true_occluded": lambda t: False,
        "true_kinked": lambda t: False,
        "true_canister_no": lambda t: 1,
        "true_alerts": lambda t: [],
        "true_paused": lambda t: shut.start - 2 <= t < shut.start,
        "true_running": lambda t: not shut.start - 2 <= t < shut.start,
        "true_swing_cmh2o": lambda t: 0.0 if t in shut else 3.0,
        "true_leak_trend_ml_min": lambda t: 80.0,
        "true_output_ml": lambda t: 0.25 * t,
        "true_walking": lambda t: False,
        **changed,
    }
    return pl.DataFrame(
        {
            "stay": ["a"] * n,
            "true_minute": [START + timedelta(minutes=t) for t in range(n)],
            "state": ["run"] * n,
            **{name: [of(t) for t in range(n)] for name, of in truth.items()},
        },
        schema_overrides={"true_alerts": pl.List(pl.String)},
    )


def lost(*minutes: int) -> pl.DataFrame:
    """Minutes that the device did not log."""
    at = [START + timedelta(minutes=t) for t in minutes]
    return pl.DataFrame(
        {"stay": ["a"] * len(at), "true_minute": at},
        schema={"stay": pl.String, "true_minute": pl.Datetime("us", "UTC")},
    )


def test_a_clamp_by_a_hand_that_is_taken_off_within_the_hour_can_be_claimed() -> None:
    ((_, one),) = clamps(true_minutes(), lost())
    assert (one.first, one.last, one.minutes, one.running, one.claimable) == (600, 629, 30, 30, True)


@pytest.mark.parametrize(
    "minutes",
    [
        true_minutes(true_paused=lambda t: False, true_running=lambda t: True),
        true_minutes(range(600, 661)),
        true_minutes(true_swing_cmh2o=lambda t: 0.2),
        true_minutes(true_swing_cmh2o=lambda t: 3.0 if t < 600 else 0.0),
        true_minutes(true_walking=lambda t: t == 595),
        true_minutes(true_leak_trend_ml_min=lambda t: 80.0 if t < 610 else 0.0),
    ],
    ids=[
        "nobody's hand",
        "over an hour",
        "no breath to stop",
        "no breath comes back",
        "a walk",
        "the leak closes",
    ],
)
def test_what_the_rule_cannot_see_is_no_clamp_by_it(minutes: pl.DataFrame) -> None:
    ((_, one),) = clamps(minutes, lost())
    assert not one.claimable


def test_a_hole_beside_it_hides_a_clamp_and_one_far_away_does_not() -> None:
    for minute, claimable in ((596, False), (635, False), (500, True)):
        ((_, one),) = clamps(true_minutes(), lost(minute))
        assert one.claimable is claimable


def blocked(**changed: Callable[[int], object]) -> pl.DataFrame:
    shut = range(600, 720)
    return true_minutes(
        range(0),
        **{
            "true_occluded": lambda t: t in shut,
            "true_paused": lambda t: False,
            "true_running": lambda t: True,
            "true_swing_cmh2o": lambda t: 0.0 if t in shut else 3.0,
            **changed,
        },
    )


def test_a_tube_that_breathed_and_leaked_or_drained_is_an_occlusion_to_be_found() -> None:
    dry = {"true_leak_trend_ml_min": lambda t: 0.0}
    for minutes, claimable in (
        (blocked(), True),
        (blocked(**dry), True),  # 15 mL/h: 30 mL are missed
        (blocked(**dry, true_output_ml=lambda t: 0.01 * t), False),
        (blocked(true_swing_cmh2o=lambda t: 0.1), False),
        (blocked(true_walking=lambda t: t == 610), False),
    ):
        ((_, one),) = occlusions(minutes, lost())
        assert one.claimable is claimable


def test_an_occlusion_shorter_than_the_rule_asks_for_is_not_counted() -> None:
    assert not list(occlusions(blocked(true_occluded=lambda t: 600 <= t < 640), lost()))
