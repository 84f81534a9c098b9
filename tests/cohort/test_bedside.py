"""What could be known at the bedside: fluid, breathing and suspicions by the readings so far."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import polars as pl
import pytest

from pipeline.cohort.bedside import bedside_minutes
from pipeline.definitions import Definitions
from schemas.lake import BEDSIDE, EVIDENCE

HOUR, DAY = 60, 24 * 60
NO_NOTES = {"use_id": pl.String, "started_at": pl.Datetime("us", "UTC"), "ended_at": pl.Datetime("us", "UTC")}


@pytest.fixture
def seen(
    use: Callable[..., dict],
    uses_of: Callable[..., pl.DataFrame],
    course_of_use: Callable[..., pl.DataFrame],
    at: Callable[[float], datetime],
    definitions: Definitions,
) -> Callable[..., pl.DataFrame]:
    """
    The bedside minutes of one drain on one use of so many minutes.

    `trace(minute)`: the verdict of the minute's trace or None; `note`: kind, from and to minute; `range`: the
    minute's max − min; `from_minute`: where the drain takes over the running device.
    """

    def build(
        minutes: int,
        leak: Callable[[int], float | None] = lambda i: 0.0,
        trace: Callable[[int], str | None] = lambda i: None,
        spread: Callable[[int], float] = lambda i: 3.0,
        note: tuple[str, float, float | None] | None = None,
        from_minute: int = 0,
        swing: float = 3.0,
        **course: Any,
    ) -> pl.DataFrame:
        row = use(end=minutes / HOUR)
        frame = course_of_use(
            row,
            leak,
            pressure_min_cmh2o=lambda i: -20.0 - spread(i),
            pressure_max_cmh2o=-20.0,
            **course,
        )
        traces = [
            {
                "use_id": row["use_id"],
                "site": "lakeside",
                "device": "DV-1",
                "minute": at(i / HOUR),
                "verdict": trace(i),
                "swing_cmh2o": swing if trace(i) == "present" else None,
                "artefact_kind": "none",
            }
            for i in range(minutes)
            if trace(i) is not None
        ]
        evidence = (
            EVIDENCE.conform(pl.DataFrame(traces, infer_schema_length=None)) if traces else EVIDENCE.empty()
        )
        notes = pl.DataFrame(
            []
            if note is None
            else [
                {
                    "use_id": row["use_id"],
                    "kind": note[0],
                    "started_at": at(note[1] / HOUR),
                    "ended_at": None if note[2] is None else at(note[2] / HOUR),
                }
            ],
            schema={**NO_NOTES, "kind": pl.String},
        )
        drain_use = pl.DataFrame(
            {
                "drain_id": ["D"],
                "use_id": [row["use_id"]],
                "from_at": [at(from_minute / HOUR)],
                "until_at": [at(minutes / HOUR)],
            },
            schema_overrides={n: pl.Datetime("us", "UTC") for n in ("from_at", "until_at")},
        )
        got = bedside_minutes(drain_use, frame, evidence, uses_of(row), notes, definitions)
        return BEDSIDE.validate(got)

    return build


def ml(frame: pl.DataFrame, minute: int) -> float | None:
    steps = frame["output_so_far"][minute]
    return None if steps is None else steps / 10


def standing(frame: pl.DataFrame) -> list[int]:
    """The minutes in which a rule's clock stood."""
    return frame["leak_ml_min"].is_null().arg_true().to_list()


def test_fluid_rises_with_the_readings_and_a_bump_brings_nothing(seen) -> None:
    def volume(i: int) -> float:
        return 90.0 if i in (100, 101) else i / 10

    got = seen(300, canister_volume_ml=volume)
    assert ml(got, 99) == pytest.approx(9.45, abs=0.1)
    assert ml(got, 110) == pytest.approx(10.5, abs=0.2)
    assert ml(got, 299) == pytest.approx(29.45, abs=0.1)


def test_a_new_canister_counts_once_it_has_stayed_low(seen) -> None:
    got = seen(300, canister_volume_ml=lambda i: 200.0 + i / 10 if i < 100 else (i - 100) / 10)
    # The canister held 200 mL before the log began? It shows the use begin, but more than an empty canister.
    assert ml(got, 109) == pytest.approx(9.5, abs=0.2)
    assert ml(got, 112) == pytest.approx(9.5 + 0.7, abs=0.3)
    assert ml(got, 299) == pytest.approx(9.5 + 19.5, abs=0.3)


def test_a_reading_that_falls_and_recovers_is_no_new_canister(seen) -> None:
    got = seen(300, canister_volume_ml=lambda i: 10.0 if 100 <= i < 108 else 200.0)
    assert got["output_so_far"].max() == 0


def test_a_leaning_device_reads_nothing(seen) -> None:
    got = seen(200, canister_volume_ml=lambda i: 10.0 + i, tilt_deg=lambda i: 40.0 if 100 <= i < 150 else 0.0)
    assert ml(got, 151) == ml(got, 99)
    assert got["read_at"][151] == got["minute"][99]


def test_a_drain_that_takes_over_a_running_device_begins_with_none_of_its_fluid(seen) -> None:
    got = seen(300, canister_volume_ml=lambda i: float(i), from_minute=200)
    assert ml(got, 0) == 0.0
    assert ml(got, 99) == pytest.approx(99, abs=1)


def test_breathing_is_seen_by_traces_until_the_next_decides(seen) -> None:
    got = seen(200, trace=lambda i: ("present" if i < 50 else "absent") if i % 5 == 0 else None)
    last = got["breathed_at"][199]
    assert got["minute"][45] < last <= got["minute"][50]
    assert got["breathed_basis"][199] == "trace"


def test_one_trace_among_many_is_not_believed(seen) -> None:
    got = seen(200, trace=lambda i: "present" if i == 100 else "absent")
    assert got["breathed_at"][199] is None


def test_without_traces_the_minutes_before_show_breathing(seen) -> None:
    got = seen(100, spread=lambda i: 3.0 if i < 50 else 0.2)
    assert got["breathed_basis"][99] == "envelope"
    assert got["minute"][45] <= got["breathed_at"][99] <= got["minute"][56]


def test_a_pump_that_ripples_over_a_leak_shows_no_breathing(seen) -> None:
    assert seen(100, leak=lambda i: 200.0)["breathed_at"][99] is None


def test_a_leak_that_stops_at_once_with_the_pressure_still_is_suspected(seen) -> None:
    got = seen(300, leak=lambda i: 200.0 if i < 100 else 0.0, spread=lambda i: 3.0 if i < 100 else 0.1)
    assert standing(got) == list(range(100, 300))


def test_a_leak_that_stops_at_once_while_the_pressure_moves_is_suspected_for_minutes(seen) -> None:
    got = seen(300, leak=lambda i: 200.0 if i < 100 else 0.0)
    # Five minutes of movement after the last reading that could have been the stop.
    assert standing(got) == list(range(100, 107))


def test_a_leak_that_fades_is_not_suspected(seen) -> None:
    got = seen(400, leak=lambda i: max(0.0, 100.0 - i / 2), spread=lambda i: 3.0 if i < 100 else 0.1)
    assert standing(got) == []


def test_the_suspicion_ends_with_leak_breathing_or_fluid(seen) -> None:
    stops: dict[str, Any] = {"spread": lambda i: 3.0 if i < 100 else 0.1}
    leaks = seen(300, leak=lambda i: 200.0 if i < 100 or i >= 150 else 0.0, **stops)
    assert standing(leaks) == list(range(100, 150))
    breathes = seen(
        300,
        leak=lambda i: 200.0 if i < 100 else 0.0,
        trace=lambda i: "present" if i >= 200 and i % 5 == 0 else None,
        **stops,
    )
    assert standing(breathes)[-1] in range(200, 204)
    drains = seen(
        300,
        leak=lambda i: 200.0 if i < 100 else 0.0,
        canister_volume_ml=lambda i: 20.0 if i < 150 else 20.0 + (i - 150),
        **stops,
    )
    assert standing(drains)[-1] in range(170, 180)


def test_breathing_that_goes_at_once_with_fluid_before_is_suspected_until_it_is_back(seen) -> None:
    got = seen(
        600,
        trace=lambda i: ("present" if i < 300 or i >= 450 else "absent") if i % 5 == 0 else None,
        canister_volume_ml=lambda i: min(i, 300) / 4,
    )
    stood = standing(got)
    assert 300 <= stood[0] <= 308
    assert 450 <= stood[-1] <= 453
    assert len(stood) == stood[-1] - stood[0] + 1


def test_breathing_that_was_faint_before_it_went_is_a_lung_coming_up(seen) -> None:
    got = seen(
        600,
        trace=lambda i: ("present" if i < 300 else "absent") if i % 5 == 0 else None,
        canister_volume_ml=lambda i: min(i, 300) / 4,
        swing=0.6,
    )
    assert standing(got) == []


def test_a_pause_an_alert_and_a_noted_trial_stop_the_clock(seen) -> None:
    paused = seen(100, state=lambda i: "pause" if 20 <= i < 30 else "run")
    assert standing(paused) == list(range(20, 30))
    rung = seen(100, alerts=lambda i: ["line_blocked"] if 20 <= i < 30 else [])
    assert standing(rung) == list(range(20, 30))
    noted = seen(100, note=("clamp_trial", 20, 30))
    assert standing(noted) == list(range(20, 30))
    open_end = seen(
        100, note=("clamp_trial", 20, None), leak=lambda i: 30.0 * (i >= 50), spread=lambda i: 0.1
    )
    assert standing(open_end) == list(range(20, 50))
    assert standing(seen(100, note=("note", 20, 30))) == []


def test_a_leak_that_is_read_through_a_noted_trial_counts_all_the_same(seen) -> None:
    assert standing(seen(100, note=("clamp_trial", 20, 30), leak=30.0)) == []
    assert standing(seen(100, note=("clamp_trial", 20, 30), leak=20.0)) == list(range(20, 30))


def test_a_line_open_to_the_room_stops_the_clock_at_once(seen) -> None:
    got = seen(
        100,
        leak=lambda i: 3000.0 if i == 50 else 5.0,
        pressure_mean_cmh2o=lambda i: -2.0 if i == 50 else -20.0,
    )
    assert standing(got) == [50]


def test_stopped_minutes_are_counted_from_the_drains_beginning(seen) -> None:
    got = seen(100, state=lambda i: "pause" if i % 10 == 0 else "run", from_minute=50)
    assert got["stopped_so_far"].to_list()[:12] == [1] * 10 + [2] * 2
