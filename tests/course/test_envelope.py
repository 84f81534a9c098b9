"""Breathing from the minutes' minimum and maximum alone."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipeline.course.envelope import envelope_of
from pipeline.definitions import load_definitions

DEFINITIONS = load_definitions()
NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)


def grid(
    ranges: list[float | None],
    leak: list[float | None] | float | None = 0.0,
    state: list[str] | str = "run",
    use: str = "u",
    span: list[int] | int = 0,
    tilted: bool = False,
    tilt: list[float | None] | None = None,
) -> pl.DataFrame:
    n = len(ranges)
    states = [state] * n if isinstance(state, str) else state
    return pl.DataFrame(
        {
            "use_id": [use] * n,
            "span": [span] * n if isinstance(span, int) else span,
            "minute": [NOON + timedelta(minutes=k) for k in range(n)],
            "observed": [r is not None for r in ranges],
            "state": states,
            "running": [s == "run" and r is not None for s, r in zip(states, ranges, strict=True)],
            "tilted": [tilted] * n,
            "tilt_deg": tilt or [1.0] * n,
            "pressure_min_cmh2o": [None if r is None else -20 - r / 2 for r in ranges],
            "pressure_max_cmh2o": [None if r is None else -20 + r / 2 for r in ranges],
            "air_leak_ml_min": [leak] * n if not isinstance(leak, list) else leak,
            "alerts": [[]] * n,
        },
        schema_overrides={
            "pressure_min_cmh2o": pl.Float64,
            "pressure_max_cmh2o": pl.Float64,
            "air_leak_ml_min": pl.Float64,
            "alerts": pl.List(pl.String),
            "tilt_deg": pl.Float64,
        },
    )


def verdicts(frame: pl.DataFrame) -> list[str | None]:
    return envelope_of(frame, DEFINITIONS)["envelope_verdict"].to_list()


def test_steady_large_ranges_are_breathing_and_steady_small_ones_its_absence() -> None:
    assert verdicts(grid([3.0] * 30)) == ["present"] * 30
    assert verdicts(grid([0.3] * 30)) == ["absent"] * 30


def test_one_cough_is_not_breathing_and_does_not_hide_its_absence() -> None:
    ranges: list[float | None] = [0.3] * 30
    ranges[15] = 30.0
    assert verdicts(grid(ranges)) == ["absent"] * 30


def test_breathing_visible_in_three_fifths_of_the_minutes_is_not_absence() -> None:
    seen = [3.0, 3.0, 3.0, 0.3, 0.3]
    assert set(verdicts(grid(seen * 8))) == {"indeterminate"}


def test_while_a_leak_is_on_the_pump_ripples_so_present_is_out_of_reach() -> None:
    assert set(verdicts(grid([3.0] * 30, leak=150.0))) == {"indeterminate"}
    assert set(verdicts(grid([0.3] * 30, leak=150.0))) == {"absent"}


def test_a_leak_that_nobody_read_may_be_on() -> None:
    assert set(verdicts(grid([3.0] * 30, leak=None))) == {"indeterminate"}


def test_too_few_known_minutes_give_no_verdict() -> None:
    ranges: list[float | None] = [None] * 30
    ranges[10:17] = [3.0] * 7
    assert set(verdicts(grid(ranges))) == {None}
    ranges[17] = 3.0
    assert verdicts(grid(ranges))[12] == "present"


def test_paused_and_missing_minutes_get_no_verdict_and_count_for_none() -> None:
    states = ["run"] * 12 + ["pause"] * 4 + ["run"] * 12
    found = verdicts(grid([3.0] * 12 + [0.1] * 4 + [3.0] * 12, state=states))
    assert found[12:16] == [None] * 4
    assert set(found[:12] + found[16:]) == {"present"}


def test_an_own_floor_comes_from_stable_self_checks_only() -> None:
    states = ["check"] * 4 + ["run"] * 30
    noisy = grid([12.0, 0.6, 0.6, 0.6] + [0.75] * 30, state=states)
    found = envelope_of(noisy, DEFINITIONS)
    assert found["quiet_floor_cmh2o"].unique().to_list() == [0.6]
    # 0.75 exceeds the least swing of 0.5, but this device shows 0.6 when nothing breathes.
    assert set(found["envelope_verdict"][4:].to_list()) == {"absent"}
    assert set(verdicts(grid([0.75] * 30))) == {"indeterminate"}
    one_check = grid([0.6] + [0.75] * 30, state=["check"] + ["run"] * 30)
    assert envelope_of(one_check, DEFINITIONS)["quiet_floor_cmh2o"].unique().to_list() == [0.3]
    tilted = grid([0.6] * 4 + [0.75] * 30, state=states, tilted=True)
    assert envelope_of(tilted, DEFINITIONS)["quiet_floor_cmh2o"].unique().to_list() == [0.3]


def test_one_uses_floor_and_minutes_never_reach_another_use_or_tube() -> None:
    quiet = grid([0.6] * 4 + [0.75] * 30, state=["check"] * 4 + ["run"] * 30, use="a")
    loud = grid([3.0] * 12 + [0.75] * 18, use="b", span=[0] * 12 + [1] * 18)
    both = envelope_of(pl.concat([quiet, loud]), DEFINITIONS)
    alone = pl.concat([envelope_of(quiet, DEFINITIONS), envelope_of(loud, DEFINITIONS)])
    assert both.equals(alone)
    # The window does not look across the change of tube: no minute is between present and quiet.
    assert both["envelope_verdict"].to_list()[34:] == ["present"] * 12 + ["indeterminate"] * 18


def test_a_change_is_dated_to_within_half_a_window() -> None:
    rng = np.random.default_rng(4)
    ranges = [*rng.uniform(2, 4, 60), *rng.uniform(0.2, 0.4, 60)]
    found = verdicts(grid([float(r) for r in ranges]))
    assert set(found[:52]) == {"present"}
    assert set(found[68:]) == {"absent"}


def test_a_sharp_stop_is_dated_to_its_minute() -> None:
    found = verdicts(grid([3.0] * 40 + [0.2] * 40 + [3.0] * 40))
    assert found == ["present"] * 40 + ["absent"] * 40 + ["present"] * 40


def test_five_still_minutes_on_end_are_a_stop_four_are_too_few() -> None:
    assert verdicts(grid([3.0] * 30 + [0.2] * 5 + [3.0] * 30))[30:35] == ["absent"] * 5
    assert "absent" not in verdicts(grid([3.0] * 30 + [0.2] * 4 + [3.0] * 30))


def test_minutes_that_could_hide_a_small_swing_are_no_short_stop() -> None:
    # 0.4 is below the least swing but above what a still device shows.
    assert "absent" not in verdicts(grid([3.0] * 30 + [0.4] * 8 + [3.0] * 30))
    assert set(verdicts(grid([0.4] * 30))) == {"absent"}


def test_what_moves_while_the_drain_is_carried_may_be_the_walk() -> None:
    walk = [25.0, 12.0, 31.0, 18.0, 9.0, 28.0]
    tilt = [1.0] * 30 + walk * 5 + [1.0] * 30
    found = verdicts(grid([3.0] * 90, tilt=tilt))
    assert set(found[33:57]) == {"indeterminate"}
    assert set(found[:30] + found[62:]) == {"present"}


def test_a_drain_left_lying_is_not_carried() -> None:
    assert set(verdicts(grid([3.0] * 60, tilted=True, tilt=[80.0, 80.4] * 30))) == {"present"}


def test_put_down_once_it_was_moved_once_and_that_is_no_walk() -> None:
    assert set(verdicts(grid([3.0] * 60, tilt=[1.0] * 30 + [80.0] * 30))) == {"present"}


def test_where_the_tilt_is_not_read_a_walk_may_be_all_that_moves() -> None:
    unread: list[float | None] = [None] * 160
    short = verdicts(grid([0.2] * 50 + [3.0] * 59 + [0.2] * 51, tilt=unread))
    long = verdicts(grid([0.2] * 50 + [3.0] * 60 + [0.2] * 50, tilt=unread))
    assert set(short[50:109]) == {"indeterminate"}
    assert set(long[50:110]) == {"present"}
