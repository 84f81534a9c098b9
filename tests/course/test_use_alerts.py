"""Alerts: one from when it began to ring until somebody dealt with it, and what a hole leaves unknown."""

from __future__ import annotations

from datetime import timedelta

import pytest

from tests.course.bedside import NOON, Use, course_as_told

Row = tuple[str, int, int, int, int | None]


def alerts_of(use: Use) -> list[Row]:
    """Code, first minute, end, minutes heard, minutes to clear."""
    minute = timedelta(minutes=1)
    return [
        (
            r["code"],
            (r["started_at"] - NOON) // minute,
            (r["ended_at"] - NOON) // minute,
            r["minutes"],
            r["minutes_to_clear"],
        )
        for r in course_as_told(use).alerts.iter_rows(named=True)
    ]


def rings(first: int, last: int, code: str = "battery_low"):  # type: ignore[no-untyped-def]
    return lambda t: [code] if first <= t <= last else []


def test_an_alert_lasts_from_its_first_to_its_last_minute() -> None:
    assert alerts_of(Use(30, alerts=rings(5, 11))) == [("battery_low", 5, 12, 7, 7)]


def test_an_alert_that_rings_again_is_another() -> None:
    use = Use(30, alerts=lambda t: ["battery_low"] if t in (5, 6, 9) else [])
    assert alerts_of(use) == [("battery_low", 5, 7, 2, 2), ("battery_low", 9, 10, 1, 1)]


def test_two_alerts_at_once_are_two() -> None:
    use = Use(30, alerts=lambda t: ["pause_long", "other:X9"] if t == 5 else ["pause_long"] if t == 6 else [])
    assert alerts_of(use) == [("other:X9", 5, 6, 1, 1), ("pause_long", 5, 7, 2, 2)]


def test_how_long_it_took_is_unknown_where_it_still_rang_at_the_end() -> None:
    assert alerts_of(Use(30, alerts=rings(20, 40))) == [("battery_low", 20, 30, 10, None)]


def test_how_long_it_took_is_unknown_where_it_rang_before_the_log_began() -> None:
    assert alerts_of(Use(30, alerts=rings(0, 4))) == [("battery_low", 0, 5, 5, None)]
    assert alerts_of(Use(30, alerts=rings(0, 4), begins_with_check=True)) == [("battery_low", 0, 5, 5, 5)]


def test_an_alert_into_a_hole_has_no_known_end_and_one_out_of_it_no_known_start() -> None:
    into = Use(60, alerts=rings(5, 9), missing=range(10, 20))
    out_of = Use(60, alerts=rings(20, 24), missing=range(10, 20))
    assert alerts_of(into) == [("battery_low", 5, 10, 5, None)]
    assert alerts_of(out_of) == [("battery_low", 20, 25, 5, None)]


def test_one_that_rings_on_both_sides_of_a_short_hole_is_one() -> None:
    assert alerts_of(Use(60, alerts=rings(5, 30), missing=range(10, 20))) == [
        ("battery_low", 5, 31, 16, None)
    ]


def test_beyond_an_hour_of_silence_nobody_knows_so_they_are_two() -> None:
    rows = alerts_of(Use(120, alerts=rings(5, 90), missing=range(10, 71)))
    assert [(row[1], row[4]) for row in rows] == [(5, None), (71, None)]


@pytest.mark.parametrize("unheard", [None, "hole"])
def test_a_minute_that_does_not_say_is_not_silence(unheard: str | None) -> None:
    told = lambda t: None if t == 8 and unheard is None else ["battery_low"] if 5 <= t <= 11 else []  # noqa: E731
    use = Use(30, alerts=told, missing=[8] if unheard else [])
    assert alerts_of(use) == [("battery_low", 5, 12, 6, None)]


def test_across_a_clock_step_how_long_is_unknown() -> None:
    use = Use(30, alerts=rings(5, 11), clock_step=lambda t: t == 8)
    assert alerts_of(use) == [("battery_low", 5, 12, 7, None)]


def test_alerts_of_two_uses_never_join() -> None:
    first, second = Use(10, alerts=rings(5, 9)), Use(10, name="DV-0002", alerts=rings(0, 3))
    assert course_as_told(first, second).alerts["minutes"].to_list() == [5, 4]
