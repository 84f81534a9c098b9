"""The evaluation's scorer on hand-made truth, and a small fleet through it with loose limits."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from pipeline.simulate.sites import LAKESIDE, NORTH
from tests.evaluation.beside_by_hand import at, stay, value
from tests.evaluation.evaluate import splits
from tests.evaluation.evaluate_figures import Figure, precision_and_recall
from tests.evaluation.evaluate_fleets import Beside, Fleet, beside_truth
from tests.evaluation.evaluate_fluid import canisters, fluid, surges
from tests.evaluation.evaluate_scores import alerts, tidaling
from tests.evaluation.evaluate_table import as_csv, as_markdown


def test_precision_and_recall_count_minutes() -> None:
    minutes = pl.DataFrame(
        {"told": [True, True, False, False, True], "true": [True, False, True, True, True]}
    )
    found = list(precision_and_recall(minutes, pl.col("told"), pl.col("true"), "x"))
    assert [figure.value for figure in found] == [2 / 3, 2 / 4]


def test_what_never_happened_has_no_figure_and_reaches_nothing() -> None:
    minutes = pl.DataFrame({"told": [False], "true": [False]})
    found = list(precision_and_recall(minutes, pl.col("told"), pl.col("true"), "x"))
    assert [(figure.value, figure.reached) for figure in found] == [(None, None)] * 2


def test_a_limit_is_reached_at_the_limit() -> None:
    assert Figure("x", 0.95, "", at_least=0.95).reached
    assert not Figure("x", 61.0, "", at_most=60).reached


def test_an_hour_is_right_within_ten_millilitres_or_two_per_cent() -> None:
    def share(off: float, true: float) -> float | None:
        return value(
            fluid(stay(60, drain_output_ml=true + off, true_output_ml=true)),
            "fluid: drain-hours within max(10 mL, 2 %)",
        )

    assert share(10.0, 100.0) == share(-30.0, 1500.0) == 1.0
    assert share(10.1, 100.0) == share(-30.1, 1500.0) == 0.0


def test_an_hour_told_unread_is_a_floor_and_one_with_a_reading_is_told_at_its_last() -> None:
    true = [2.0 * t for t in range(180)]
    read = [t < 100 or t >= 170 for t in range(180)]
    told = [ml if at_hand else 198.0 for ml, at_hand in zip(true, read, strict=True)]
    found = list(fluid(stay(180, true_output_ml=true, drain_output_ml=told, volume_read=read)))
    assert value(found, "fluid: drain-hours within max(10 mL, 2 %)") == 2 / 3
    assert value(found, "fluid: the same, hours with a reading, at the last one") == 1
    last = {"drain_output_ml": [min(ml, 118.0) for ml in true], "volume_read": [t < 60 for t in range(180)]}
    gone = stay(180, true_output_ml=true, **last)
    assert value(fluid(gone), "fluid: hours told unread, at least so much had come") == 1
    above = stay(180, true_output_ml=0.0, **last)
    assert value(fluid(above), "fluid: hours told unread, at least so much had come") == 0


def test_after_a_canister_was_changed_unread_the_output_is_held_to_be_a_floor() -> None:
    lacking = stay(
        120, true_output_ml=[100.0 + 2 * t for t in range(120)], drain_output_ml=[2.0 * t for t in range(120)]
    )
    assert value(fluid(lacking), "fluid: the same, not told as at least so much") == 0
    changed = pl.DataFrame(
        {"use_id": ["u"], "removed_at": [at(0)], "unread_minutes": [11]}, schema=lacking.canisters.schema
    )
    told = list(fluid(replace(lacking, canisters=changed)))
    assert value(told, "fluid: the same, not told as at least so much") is None
    assert value(told, "fluid: hours told as at least so much, and it was") == 1


def test_what_came_in_a_hole_is_no_surge_that_was_missed() -> None:
    bled: list[object] = [float(5 * t) for t in range(300)]
    told: list[object] = [t > 80 for t in range(300)]
    watched = stay(300, true_output_ml=bled, output_surge=told)
    assert value(surges(watched), "output_surge: recall") == 1
    # Three hours are not in the log: the first two after it have no two hours before them.
    hole = stay(300, true_output_ml=bled, output_surge=False)
    holed = replace(hole, minutes=hole.minutes.filter(~pl.col("true_minute").is_between(at(30), at(210))))
    assert value(surges(holed), "output_surge: recall") is None


def test_a_fall_is_counted_and_catching_up_after_tilt_is_no_jump() -> None:
    tilted = [10 <= t < 40 for t in range(120)]
    true = [float(t) for t in range(120)]
    held = [10.0 if 10 <= t < 40 else float(t) for t in range(120)]
    caught_up = list(fluid(stay(120, true_tilted=tilted, true_output_ml=true, drain_output_ml=held)))
    assert value(caught_up, "fluid: minutes of a jump of 20 mL made of tilt") == 0
    made = [float(t) + (25.0 if t >= 20 else 0.0) for t in range(120)]
    jumped = list(fluid(stay(120, true_tilted=tilted, true_output_ml=true, drain_output_ml=made)))
    assert value(jumped, "fluid: minutes of a jump of 20 mL made of tilt") > 0
    falls = list(fluid(stay(120, true_output_ml=true, drain_output_ml=true[:60] + true[:60])))
    assert value(falls, "fluid: minutes at which the output falls") == 1


def test_a_change_is_found_within_minutes_and_one_that_never_was_is_made_up() -> None:
    def changed(told_at: int, true_at: int) -> tuple[float | None, float | None]:
        found = list(
            canisters(
                stay(
                    200,
                    canister_no=[1 if t < told_at else 2 for t in range(200)],
                    true_canister_no=[1 if t < true_at else 2 for t in range(200)],
                )
            )
        )
        return value(found, "canister changes: found"), value(found, "canister changes: made up")

    assert changed(102, 100) == (1.0, 0.0)
    assert changed(150, 100) == (0.0, 1.0)


def test_an_alert_is_exact_only_with_its_time_to_clear() -> None:
    rings = [["canister_full"] if 10 <= t < 25 else [] for t in range(60)]

    def told(ended: int, clear: int | None) -> Beside:
        beside = stay(60, true_alerts=rings)
        row = {
            "use_id": "u",
            "stay": "s",
            "code": "canister_full",
            "started_at": at(10),
            "ended_at": at(ended),
            "minutes_to_clear": clear,
        }
        heard = pl.DataFrame([row], schema=beside.alerts.schema)
        return replace(beside, alerts=heard)

    what = "alerts: start, end and time to clear exact"
    assert value(alerts(told(25, 15)), what) == 1.0
    assert value(alerts(told(26, 16)), what) == 0.0
    assert value(alerts(told(25, None)), what) == 0.0


def test_a_verdict_is_held_against_the_swing_and_a_middling_one_against_neither() -> None:
    swing = [3.0] * 50 + [0.0] * 30 + [0.5] * 20
    found = list(tidaling(stay(100, true_swing_cmh2o=swing, tidaling=["present"] * 60 + ["absent"] * 40)))
    assert value(found, "tidaling present: true where told") == 50 / 60
    assert value(found, "tidaling absent: true where told") == 1.0
    assert value(found, "tidaling absent: told where true") == 20 / 30


@pytest.fixture(scope="module")
def small() -> dict[str, list[Figure]]:
    fleets = (
        Fleet("every 5 min", 5, (LAKESIDE,), date(2031, 9, 25)),
        Fleet("untraced", None, (NORTH,), date(2031, 9, 25)),
    )
    return splits(beside_truth(8, 3, fleets=fleets))


def test_a_small_fleet_is_told_as_it_was(small: dict[str, list[Figure]]) -> None:
    found = {figure.what: figure.value for figure in small["all"]}
    for flag in ("tilted", "paused", "leak on"):
        assert found[f"{flag}: precision"] > 0.98
        assert found[f"{flag}: recall"] > 0.98
    assert found["fluid: minutes at which the output falls"] == 0
    assert found["fluid: drain-hours within max(10 mL, 2 %)"] > 0.85
    assert found["canister changes: found"] > 0.8
    assert found["leak end: median error, min"] <= 15
    assert found["alerts: start, end and time to clear exact"] > 0.95
    assert found["time: logged minutes that came through"] > 0.99
    for wrong in ("outcome: knowable yes, told no", "outcome: knowable no, told yes"):
        assert found[wrong] == 0


def test_the_table_has_every_figure_in_every_split(small: dict[str, list[Figure]]) -> None:
    assert set(small) == {"all", "a ward's mix", "every 5 min", "untraced", "lakeside", "north"}
    assert len({len(figures) for figures in small.values()}) == 1
    assert as_csv(small).count("\n") == 1 + sum(len(figures) for figures in small.values())
    assert as_markdown(small, 8, 3).count("\n| ") == len(small["all"]) + 1
