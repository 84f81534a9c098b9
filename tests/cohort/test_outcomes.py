"""Several definitions of a prolonged leak beside one another, and what moves with each judgement."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.cohort.judgements import figures_of, judgements
from pipeline.cohort.origin import with_threshold
from pipeline.cohort.outcomes import judge
from pipeline.definitions import Definitions, load_definitions
from schemas.errors import InputError
from schemas.published import DRAIN_OUTCOME
from shared import SHARED

ORIGIN = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)  # 14:00 in Zurich
HOUR = 60
SHIPPED = (SHARED / "definitions.toml").read_text(encoding="utf-8")


@pytest.fixture
def told(definitions: Definitions) -> Callable[..., dict[str, tuple[str, str | None]]]:
    """Verdict and reason by definition, for a drain with this leak (mL/min) at each minute."""

    def told(
        minutes: int,
        leak: Callable[[float], float],
        by: Definitions = definitions,
        reason: str | None = "planned",
        out: bool = True,
        start: float = 0,
        **more: Any,
    ) -> dict[str, tuple[str, str | None]]:
        first = round(start * HOUR)
        stamps = [ORIGIN + timedelta(minutes=i) for i in range(first, minutes)]
        flow = [float(leak(i / HOUR)) for i in range(first, minutes)]
        frame = pl.DataFrame(
            {
                "drain_id": "D",
                "minute": stamps,
                "leak_median_ml_min": flow,
                "leak_least_ml_min": flow,
                "assessable": True,
                "known": True,
            },
            schema_overrides={"minute": pl.Datetime("us", "UTC")},
        ).with_columns(leak_on=pl.col("leak_median_ml_min") > by.leak.on_above)
        row = {
            "drain_id": "D",
            "origin_at": ORIGIN,
            "origin_day": date(2031, 3, 10),
            "timezone": "Europe/Zurich",
            "started_at": stamps[0],
            "ended_at": stamps[-1],
            "tube_out_at": stamps[-1] + timedelta(minutes=1) if out else None,
            "removal_reason": reason,
            "clock_uncertain": False,
            "later_session": False,
            "last_export_at": stamps[-1] + timedelta(minutes=1),
            **more,
        }
        instants = {name: pl.Datetime("us", "UTC") for name in row if name.endswith("_at")}
        drains = pl.DataFrame([row], schema_overrides={**instants, "removal_reason": pl.String})
        no_step = pl.DataFrame(
            schema={
                "drain_id": pl.String,
                "first_step_at": pl.Datetime("us", "UTC"),
                "leapt": pl.Int64,
                "set_back": pl.Int64,
            }
        )
        got = judge(frame, drains, lambda _: no_step, by)
        rows = DRAIN_OUTCOME.validate(got.drain_outcome)
        first_name = by.prolonged_leak[0].name
        published = got.drains.select("prolonged_leak", "prolonged_leak_reason", "leak_hours").row(0)
        of_first = rows.filter(definition=first_name)
        assert of_first.select("prolonged_leak", "prolonged_leak_reason", "leak_hours").row(0) == published
        return {
            name: (verdict, why)
            for name, verdict, why in rows.select(
                "definition", "prolonged_leak", "prolonged_leak_reason"
            ).iter_rows()
        }

    return told


def until(hours: float, flow: float = 100.0) -> Callable[[float], float]:
    return lambda h: flow if h < hours else 0.0


YES, NO = ("yes", None), ("no", None)


def test_a_leak_of_six_days_is_past_five_and_not_past_seven(told) -> None:
    got = told(200 * HOUR, until(144))
    assert (got["more_than_5_days"], got["more_than_7_days"]) == (YES, NO)


@pytest.mark.parametrize(
    ("hours", "by_hours", "by_day"), [(129.5, YES, NO), (130.5, YES, YES), (134.5, YES, YES), (119, NO, NO)]
)
def test_a_day_of_the_calendar_ends_at_the_wards_midnight(told, hours, by_hours, by_day) -> None:
    # The origin is 14:00 on the ward; postoperative day 5 ends 5 days and 10 h later, 130 h after it; the
    # leak must be seen past that minute.
    got = told(200 * HOUR, until(hours), by=load_definitions())
    assert got["more_than_5_days"] == by_hours
    assert got["past_postoperative_day_5"] == by_day


def test_the_midnight_is_local_also_across_a_change_to_summer_time(definitions: Definitions) -> None:
    by_day = figures_of(judgements(definitions)[2:3])
    drains = pl.DataFrame(
        {
            "origin_at": [datetime(2031, 3, 26, 13, 0, tzinfo=UTC), None],
            "origin_day": [date(2031, 3, 26), None],
            "timezone": ["Europe/Zurich", "UTC"],
        }
    )
    got = with_threshold(drains.join(by_day, how="cross"))["threshold_at"].to_list()
    # 1 April 2031, 00:00 in Zurich, is summer time.
    assert got == [datetime(2031, 3, 31, 22, 0, tzinfo=UTC), None]


def test_a_presumed_removal_is_unknown_to_the_strict(told) -> None:
    got = told(60 * HOUR, until(10), reason=None, out=False, later_session=True)
    assert got["more_than_5_days"] == ("no", "removal_presumed")
    assert got["strict"] == ("unknown", "still_in")


class TestFirstDay:
    def test_a_new_leak_days_later_does_not_count(self, told) -> None:
        got = told(160 * HOUR, lambda h: 100.0 if h < 10 or 100 <= h < 130 else 0.0)
        assert (got["more_than_5_days"], got["first_day_leaks"]) == (YES, NO)

    def test_a_leak_that_goes_on_from_the_first_day_counts(self, told) -> None:
        got = told(160 * HOUR, until(130))
        assert (got["more_than_5_days"], got["first_day_leaks"]) == (YES, YES)

    def test_a_leak_on_when_a_late_log_begins_may_be_of_the_first_day(self, told) -> None:
        got = told(160 * HOUR, until(130), start=30)
        assert got["more_than_5_days"] == YES
        assert got["first_day_leaks"] == ("unknown", "gap_spans_threshold")

    def test_a_late_new_leak_on_at_the_end_is_no_open_leak(self, told) -> None:
        got = told(60 * HOUR, lambda h: 100.0 if h >= 50 else 0.0)
        assert got["more_than_5_days"] == ("unknown", "removed_leaking")
        assert got["first_day_leaks"] == NO


def test_each_judgement_moves_what_it_is_about(told) -> None:
    faint = told(160 * HOUR, until(130, flow=15.0))
    assert (faint["more_than_5_days"], faint["leak_above_10"], faint["leak_above_40"]) == (NO, YES, NO)
    middling = told(160 * HOUR, until(130, flow=30.0))
    assert (middling["more_than_5_days"], middling["leak_above_40"]) == (YES, NO)
    apart = told(160 * HOUR, lambda h: 100.0 if h < 112 or 122 <= h < 124 else 0.0)
    assert (apart["more_than_5_days"], apart["one_leak_below_12_h"], apart["one_leak_below_4_h"]) == (
        NO,
        YES,
        NO,
    )
    after = told(160 * HOUR, lambda h: 100.0 if h < 10 or 121 <= h < 125 else 0.0)
    assert (after["more_than_5_days"], after["leak_after_3_h"], after["leak_after_12_h"]) == (NO, YES, NO)


def test_a_moved_figure_says_what_the_definitions_would_with_that_figure(tmp_path: Path, told) -> None:
    def leak(h: float) -> float:
        return 30.0 if h < 112 or 121 <= h < 125 else 15.0 if h < 135 else 0.0

    shipped = told(160 * HOUR, leak)
    for name, old, new in (
        ("leak_above_10", "on_above = { value = 20", "on_above = { value = 10"),
        ("leak_above_40", "on_above = { value = 20", "on_above = { value = 40"),
        ("one_leak_below_12_h", "join_below = { value = 480", "join_below = { value = 720"),
        ("blip_below_120_min", "blip_below = { value = 60", "blip_below = { value = 120"),
    ):
        assert SHIPPED.count(old) == 1
        path = tmp_path / f"{name}.toml"
        path.write_text(SHIPPED.replace(old, new), encoding="utf-8")
        assert told(160 * HOUR, leak, by=load_definitions(path))["more_than_5_days"] == shipped[name]


def test_one_more_definition_needs_no_code(tmp_path: Path, told) -> None:
    third = SHIPPED.split("[[prolonged_leak]]")[1]
    mine = third.replace("more_than_5_days", "more_than_2_days").replace("value = 120", "value = 48")
    path = tmp_path / "definitions.toml"
    path.write_text(SHIPPED + "\n[[prolonged_leak]]" + mine.split("[[")[0], encoding="utf-8")
    got = told(80 * HOUR, until(60), by=load_definitions(path))
    assert (got["more_than_5_days"], got["more_than_2_days"]) == (NO, YES)


def test_what_was_moved_is_told_beside_the_name(definitions: Definitions) -> None:
    moved = {one.name: one.moved for one in judgements(definitions)}
    assert moved["more_than_5_days"] is None
    assert moved["leak_above_40"] == "leak.on_above = 40"
    figures = {one.moves for one in definitions.sensitivity}
    assert figures >= {
        "leak.on_above",
        "leak.join_below",
        "leak.blip_below",
        "leak.confirm",
        "prolonged_leak.leak_after",
        "prolonged_leak.presume_removal",
        "prolonged_leak.begins_within",
    }


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (('moves = "leak.on_above"', 'moves = "leak.colour"'), "moves leak.colour"),
        (('name = "leak_above_40"', 'name = "leak_above_10"'), "leak_above_10 stands for two"),
        (('name = "strict"', 'name = "more_than_7_days"'), "more_than_7_days stands for two"),
        (("through_day = {", "leftover = {"), "leftover"),
        (("threshold = { value = 120", "through_day = { value = 120"), "needs a threshold in hours"),
    ],
)
def test_a_wrong_definition_is_named(tmp_path: Path, change: tuple[str, str], named: str) -> None:
    path = tmp_path / "definitions.toml"
    path.write_text(SHIPPED.replace(*change, 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"definitions\.toml") as caught:
        load_definitions(path)
    assert named in str(caught.value)
