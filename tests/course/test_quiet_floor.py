"""What a device shows when nothing moves its pressure, and what may hide below it."""

from __future__ import annotations

import polars as pl

from pipeline.course.quiet_floor import mark_quiet_floor
from tests.course.bedside import DEFINITIONS, Use, course_as_logged, stretches


def limits(ranges: list[float | None], states: list[str], use: str = "u") -> tuple[float, ...]:
    n = len(ranges)
    grid = pl.DataFrame(
        {
            "use_id": use,
            "state": states,
            "tilted": False,
            "alerts": [[]] * n,
            "pressure_min_cmh2o": -20.0,
            "pressure_max_cmh2o": [None if r is None else -20.0 + r for r in ranges],
        },
        schema_overrides={"alerts": pl.List(pl.String), "pressure_max_cmh2o": pl.Float64},
    )
    found = mark_quiet_floor(grid, DEFINITIONS)
    return found.select(
        "quiet_floor_cmh2o", "still_most_cmh2o", "absent_below_cmh2o", "moved_least_cmh2o"
    ).row(0)


def test_without_a_self_check_the_default_stands() -> None:
    assert limits([3.0] * 4, ["run"] * 4) == (0.3, 0.3, 0.5, 0.8)


def test_a_quiet_device_is_held_to_its_own_floor_and_margin() -> None:
    assert limits([0.1, 0.1, 0.2, 3.0], ["check"] * 3 + ["run"]) == (0.1, 0.3, 0.5, 0.6)


def test_on_a_noisy_device_what_is_still_and_what_is_absent_move_with_its_floor() -> None:
    assert limits([0.6, 0.6, 0.6, 3.0], ["check"] * 3 + ["run"]) == (0.6, 0.8, 0.8, 1.1)


def test_therapy_never_sets_a_floor_however_still() -> None:
    assert limits([0.05] * 60, ["run"] * 60)[0] == 0.3
    assert limits([0.05] * 60, ["pause"] * 60)[0] == 0.3


def test_a_noisy_devices_blocked_tube_is_still_by_its_own_floor() -> None:
    def is_blocked(t: int) -> bool:
        return 300 <= t < 400

    def range_(t: int) -> float:
        return 0.6 if t < 3 or is_blocked(t) else 3.6

    def noisy(begins: str) -> Use:
        return Use(
            500,
            begins_with_check=True,
            state=lambda t: begins if t < 3 else "run",
            breath=lambda t: "absent" if is_blocked(t) else "present",
            leak=lambda t: 2.0 if is_blocked(t) else 80.0,
            volume=lambda t: 20 + 0.5 * (min(t, 300) + max(0, t - 400)),
            low=lambda t: -20 - range_(t) / 2,
            high=lambda t: -20 + range_(t) / 2,
        )

    assert stretches(course_as_logged(noisy("check")), "occlusion_suspected") == [(300, 100, "probable")]
    # Without a self-check nothing says that 0.6 is this device's stillness.
    assert stretches(course_as_logged(noisy("run")), "occlusion_suspected") == [(300, 100, "possible")]
