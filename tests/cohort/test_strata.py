"""What counts once, at the threshold and by group."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cohort import counted_outcomes, leak_at_threshold, leak_strata, operations
from pipeline.cohort.survival import leak_times
from pipeline.definitions import Definitions, load_definitions
from schemas.published import COUNTED_OUTCOME, DRAIN, DRAIN_OUTCOME
from schemas.views import LEAK_AT_THRESHOLD, LEAK_BY_STRATUM, LEAK_COMPARISON

ORIGIN = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)
TOLD = (
    "prolonged_leak",
    "prolonged_leak_reason",
    "leak_hours",
    "leak_end_earliest_at",
    "leak_ongoing_at_end",
)


def ended(hours: float, **more: Any) -> dict[str, Any]:
    verdict = "yes" if hours > 120 else "no"
    return {"leak_hours": hours, "leak_ongoing_at_end": False, "prolonged_leak": verdict, **more}


def open_at(hours: float, reason: str | None = None, **more: Any) -> dict[str, Any]:
    return {
        "leak_end_earliest_at": ORIGIN + timedelta(hours=hours),
        "leak_ongoing_at_end": True,
        "removal_reason": reason,
        "prolonged_leak": "yes" if hours > 120 else "unknown",
        "prolonged_leak_reason": None if hours > 120 else reason or "log_ends_leaking",
        **more,
    }


def ward_of(*rows: dict[str, Any]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """DRAIN, and DRAIN_OUTCOME of the published definition, from what is said of each drain."""
    full = []
    for number, row in enumerate(rows):
        default = {
            "drain_id": f"D{number}",
            "site": "lakeside",
            "linked": True,
            "shared_use": False,
            "origin_at": ORIGIN,
            "origin_day": date(2031, 3, 10),
            "uses": 1,
            "minutes_observed": 100,
            "entered_hours": 0.0,
        }
        full.append({name: (default | row).get(name) for name in DRAIN.names})
    drain = pl.DataFrame(full, schema=DRAIN.dtypes)
    outcome = drain.select("drain_id", *TOLD).with_columns(definition=pl.lit("more_than_5_days"))
    return drain, DRAIN_OUTCOME.conform(outcome)


@pytest.fixture
def ward() -> Callable[..., tuple[pl.DataFrame, pl.DataFrame]]:
    return ward_of


def of_times(drain: pl.DataFrame) -> list[tuple[int, int, int]]:
    return [
        (a // 60, b // 60, e) for a, b, e in leak_times(drain, 60).select("entry", "exit", "event").rows()
    ]


class TestOperations:
    def test_an_operations_leak_is_its_longest(self, ward) -> None:
        drain, _ = ward(ended(10, operation_id="O"), ended(30, operation_id="O"), ended(20))
        assert of_times(drain) == [(0, 20, 1), (0, 30, 1)]

    def test_it_has_not_ended_while_one_of_its_drains_leaks(self, ward) -> None:
        drain, _ = ward(ended(50, operation_id="O"), open_at(30, operation_id="O"))
        assert of_times(drain) == [(0, 50, 0)]

    def test_one_of_which_nothing_is_known_censors_it(self, ward) -> None:
        nothing = {
            "operation_id": "O",
            "prolonged_leak": "unknown",
            "prolonged_leak_reason": "too_little_data",
        }
        drain, _ = ward(ended(50, operation_id="O"), nothing)
        assert of_times(drain) == [(0, 50, 0)]

    def test_death_with_one_drain_leaking_competes(self, ward) -> None:
        drain, _ = ward(ended(10, operation_id="O"), open_at(40, "died", operation_id="O"))
        assert of_times(drain) == [(0, 40, 2)]

    def test_it_is_watched_from_its_first_drain_on(self, ward) -> None:
        drain, _ = ward(
            ended(30, operation_id="O", entered_hours=20.0), ended(40, operation_id="O", entered_hours=5.0)
        )
        assert of_times(drain) == [(5, 40, 1)]

    def test_what_counts_once_agrees_with_the_operations(self, ward) -> None:
        drain, outcome = ward(
            ended(10, operation_id="O"),
            open_at(40, "died", operation_id="O"),
            ended(130, operation_id="P"),
            ended(5),
        )
        counted = COUNTED_OUTCOME.validate(counted_outcomes(drain, outcome))
        assert counted["counted_id"].to_list() == ["D3", "O", "P"]
        told = ["prolonged_leak", "prolonged_leak_reason", "drains"]
        held = counted.filter(pl.col("counted_id").is_in(["O", "P"])).select(told)
        assert held.equals(operations(drain).sort("operation_id").select(told))
        assert held.rows() == [("unknown", "died", 2), ("yes", None, 1)]


class TestThreshold:
    def test_by_hand_with_death_competing(self, ward, definitions: Definitions) -> None:
        # Four leaks: ended at 60 h, died leaking at 80 h, still on at 130 h, ended exactly at 120 h.
        drain, outcome = ward(ended(60), open_at(80, "died"), open_at(130), ended(120))
        got = LEAK_AT_THRESHOLD.validate(leak_at_threshold(drain, outcome, definitions))
        row = got.filter(pl.col("site").is_null()).row(0, named=True)
        assert (row["hours"], row["watched"]) == (120, 4)
        assert row["kaplan_meier"] == pytest.approx(3 / 4 * 1 / 2)  # the death is censoring
        assert row["still_leaking"] == pytest.approx(1 / 4)
        assert row["incidence"] == pytest.approx(1 / 4 + 1 / 4)
        assert row["competing_incidence"] == pytest.approx(1 / 4)

    @given(st.lists(st.tuples(st.integers(1, 240), st.booleans()), min_size=1, max_size=12))
    @settings(deadline=None, max_examples=60)
    def test_where_nobody_died_nobody_is_said_to_have(self, told: list[tuple[int, bool]]) -> None:
        definitions = load_definitions()
        rows = [ended(h) if over else open_at(h) for h, over in told]
        row = leak_at_threshold(*ward_of(*rows), definitions).row(0, named=True)
        assert row["competing_incidence"] in (0.0, None)

    def test_the_three_shares_add_up(self, ward, definitions: Definitions) -> None:
        rows = [ended(h) for h in (3, 40, 90, 150)] + [open_at(h, "died") for h in (30, 70, 110)]
        row = leak_at_threshold(*ward(*rows, open_at(50), ended(200)), definitions).row(0, named=True)
        total = row["still_leaking"] + row["incidence"] + row["competing_incidence"]
        assert total == pytest.approx(1, abs=1e-12)
        assert row["competing_incidence"] > 0.3

    def test_of_curves_that_end_before_nothing_is_said(self, ward, definitions: Definitions) -> None:
        drain, outcome = ward(ended(60), open_at(80))
        row = leak_at_threshold(drain, outcome, definitions).row(0, named=True)
        assert (row["kaplan_meier"], row["still_leaking"], row["competing_incidence"]) == (None, None, None)
        assert row["watched"] == 2

    def test_if_all_have_ended_none_leaks_on(self, ward, definitions: Definitions) -> None:
        drain, outcome = ward(ended(60), ended(70))
        row = leak_at_threshold(drain, outcome, definitions).row(0, named=True)
        assert (row["kaplan_meier"], row["kaplan_meier_low"], row["incidence"]) == (0, None, 1)

    def test_a_threshold_of_the_calendar_lies_on_no_curve(self, ward, definitions: Definitions) -> None:
        drain, outcome = ward(ended(60), ended(130))
        named = outcome.with_columns(definition=pl.lit("past_postoperative_day_5"))
        row = leak_at_threshold(drain, named, definitions).row(0, named=True)
        assert (row["hours"], row["kaplan_meier"], row["watched"]) == (None, None, 2)

    def test_of_no_drains_there_is_nothing(self, ward, definitions: Definitions) -> None:
        assert leak_at_threshold(*ward(), definitions).is_empty()


class TestStrata:
    def test_groups_are_compared_and_those_not_recorded_stand_apart(
        self, ward, definitions: Definitions
    ) -> None:
        short = [ended(h, side="left") for h in (2, 4, 6, 8)]
        long = [ended(h, side="right") for h in (100, 130, 140)] + [open_at(50, side="right")]
        drain, outcome = ward(*short, *long, ended(20))
        counted = counted_outcomes(drain, outcome)
        strata, tests = leak_strata(drain, counted, definitions)
        LEAK_BY_STRATUM.validate(strata)
        LEAK_COMPARISON.validate(tests)
        sides = strata.filter(grouped_by="side")
        told = ("stratum", "counted", "evaluable", "prolonged", "unknown", "rate", "watched", "ended")
        assert sides.select(told).rows() == [
            ("left", 4, 4, 0, 0, 0.0, 4, 4),
            ("right", 4, 3, 2, 1, 2 / 3, 4, 3),
            (None, 1, 1, 0, 0, 0.0, 1, 1),
        ]
        assert sides["median_hours"].to_list() == [4, 130, 20]
        assert sides["rate_if_unknown_yes"].to_list() == [0, 3 / 4, 0]
        row = tests.filter(grouped_by="side").row(0, named=True)
        assert (row["groups"], row["watched"], row["degrees"]) == (2, 8, 1)
        assert row["p_value"] < 0.05
        assert strata.filter(grouped_by="all")["counted"].to_list() == [9]

    def test_one_group_has_nothing_to_compare(self, ward, definitions: Definitions) -> None:
        drain, outcome = ward(ended(5), ended(6))
        strata, tests = leak_strata(drain, counted_outcomes(drain, outcome), definitions)
        row = tests.filter(grouped_by="site").row(0, named=True)
        assert (row["groups"], row["chi_square"], row["p_value"]) == (1, None, None)
        assert strata.filter(grouped_by="procedure")["stratum"].to_list() == [None]

    def test_a_group_nobody_watched_has_a_rate_and_no_duration(self, ward, definitions: Definitions) -> None:
        drain, outcome = ward({"prolonged_leak": "unknown", "prolonged_leak_reason": "too_little_data"})
        strata, _ = leak_strata(drain, counted_outcomes(drain, outcome), definitions)
        row = strata.filter(grouped_by="all").row(0, named=True)
        assert (row["counted"], row["rate"], row["rate_low"], row["watched"]) == (1, None, None, 0)
        assert (row["median_hours"], row["mean_hours"]) == (None, None)
