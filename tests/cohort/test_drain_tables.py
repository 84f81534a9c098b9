"""What is published of a drain: sums on known minutes, days, periods, alerts, canisters, fluid."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.cohort import DrainTables, claim, load_rules, summarise
from schemas.lake import EVIDENCE, USE_ALERT, USE_CANISTER, USE_PERIOD
from schemas.published import (
    ALERT,
    CANISTER,
    DRAIN,
    DRAIN_ANNOTATION,
    DRAIN_DAY,
    DRAIN_USE,
    PERIOD,
    READINESS,
)
from schemas.registry import ANNOTATION
from schemas.table import Table

SECRET = b"a secret of the tests"
TABLES = (DRAIN, DRAIN_DAY, PERIOD, ALERT, CANISTER, READINESS, DRAIN_ANNOTATION, DRAIN_USE)


@pytest.fixture
def rows_of() -> Callable[[Table, list[dict]], pl.DataFrame]:
    def build(table: Table, rows: list[dict]) -> pl.DataFrame:
        full = [{name: row.get(name) for name in table.names} for row in rows]
        return pl.DataFrame(full, schema=table.dtypes)

    return build


@pytest.fixture
def tables(definitions, rows_of) -> Callable[..., DrainTables]:
    def run(
        uses: pl.DataFrame,
        registry: pl.DataFrame,
        *courses: pl.DataFrame,
        only: list[str] | None = None,
        periods: list[dict] | None = None,
        alerts: list[dict] | None = None,
        canisters: list[dict] | None = None,
    ) -> DrainTables:
        claims = claim(uses, registry, SECRET)
        got = summarise(
            claims if only is None else claims.only(only),
            uses,
            pl.concat(courses),
            EVIDENCE.empty(),
            rows_of(USE_PERIOD, periods or []),
            rows_of(USE_ALERT, alerts or []),
            rows_of(USE_CANISTER, canisters or []),
            ANNOTATION.empty(),
            definitions,
            load_rules(),
        )
        for table in TABLES:
            table.validate(getattr(got, table.name))
        return got

    return run


def only_row(frame: pl.DataFrame) -> dict[str, Any]:
    assert frame.height == 1
    return frame.row(0, named=True)


def test_a_whole_linked_drain_adds_up(tables, uses_of, use, registry_of, drain, course_of_use, at) -> None:
    one = use(start=0, end=30)
    course = course_of_use(
        one,
        leak=lambda m: 100.0 if m < 600 else 0.1,
        state=lambda m: "pause" if m < 30 else "run",
        flags=lambda m: ["tilted"] if m < 15 else [],
        tidaling=lambda m: "absent" if m < 60 else "present",
        swing_cmh2o=lambda m: 4.0 if m % 2 else 2.0,
        mains=lambda m: m < 100,
    )
    got = only_row(tables(uses_of(one), registry_of(drain(devices=["DV-1"], out_at=30)), course).drain)
    assert got["linked"] is True
    assert (got["started_at"], got["ended_at"]) == (at(0), at(30 - 1 / 60))
    assert (got["minutes_expected"], got["minutes_observed"], got["completeness"]) == (1800, 1800, 1.0)
    assert (got["run_hours"], got["pause_hours"]) == (29.5, 0.5)
    assert (got["tilted_minutes"], got["occlusion_minutes"]) == (15, 0)
    assert (got["leak_peak_ml_min"], got["leak_total_l"]) == (100.0, 60.12)
    assert got["leak_mean_ml_min"] == pytest.approx((600 * 100 + 1200 * 0.1) / 1800)
    assert (got["leak_hours"], got["prolonged_leak"]) == (10.0, "no")
    assert (got["output_ml"], got["output_first_24h_ml"]) == (179.9, 143.9)
    assert (got["tidaling_absent_minutes"], got["tidaling_present_minutes"]) == (60, 1740)
    assert got["tidal_swing_median_cmh2o"] == 3.0
    assert (got["mains_minutes"], got["battery_minutes"]) == (100, 1700)
    assert (got["alert_count"], got["canister_changes"], got["uses"]) == (0, 0, 1)


def test_a_block_that_staff_noted_counts_through_a_pause(
    tables, uses_of, use, registry_of, course_of_use
) -> None:
    one = use(end=10)
    course = course_of_use(
        one,
        state=lambda m: "pause" if m < 13 else "run",
        tidaling=lambda m: "not_assessable" if m < 13 else "absent",
        flags=lambda m: ["occlusion_suspected"] if m < 100 else [],
    )
    got = only_row(tables(uses_of(one), registry_of(), course).drain)
    assert got["occlusion_minutes"] == 100


def test_a_count_tells_on_how_many_known_minutes_it_stands(
    tables, uses_of, use, registry_of, course_of_use
) -> None:
    one = use(end=10)
    course = course_of_use(
        one,
        state=lambda m: None if m < 100 else "pause" if m < 130 else "run",
        flags=lambda m: ["tilted"] if m < 60 else [],
        tilt_deg=lambda m: 40.0 if m < 60 else None,
        set_pressure_cmh2o=lambda m: None if m < 300 else -20.0,
        alerts=lambda m: None if m < 150 else [],
    )
    got = only_row(tables(uses_of(one), registry_of(), course).drain)
    assert (got["tilted_minutes"], got["tilt_known_minutes"]) == (60, 60)
    assert (got["pause_hours"], got["state_known_minutes"]) == (0.5, 500)
    assert (got["suction_shortfall_minutes"], got["suction_known_minutes"]) == (0, 300)
    assert (got["alert_count"], got["alerts_known_minutes"]) == (0, 450)


def test_what_was_never_read_is_null_not_zero(tables, uses_of, use, registry_of, course_of_use) -> None:
    one = use()
    course = course_of_use(
        one,
        leak=lambda m: None,
        tilt_deg=None,
        mains=None,
        alerts=None,
        set_pressure_cmh2o=None,
        canister_no=None,
        output_ml=None,
        tidaling="not_assessable",
    )
    got = only_row(tables(uses_of(one), registry_of(), course).drain)
    unread = [
        "tilted_minutes", "suction_shortfall_minutes", "line_open_minutes", "occlusion_minutes", "output_ml",
        "output_first_24h_ml", "leak_peak_ml_min", "leak_mean_ml_min", "leak_total_l", "leak_hours",
        "leak_ongoing_at_end", "leak_recurrences", "tidaling_present_minutes", "tidaling_absent_minutes",
        "canister_changes", "canister_unread_minutes", "alert_count", "mains_minutes", "battery_minutes",
    ]  # fmt: skip
    assert {name: got[name] for name in unread} == dict.fromkeys(unread)
    assert got["tidaling_not_assessable_minutes"] == got["minutes_observed"]
    assert (got["prolonged_leak"], got["prolonged_leak_reason"]) == ("unknown", "too_little_data")


def test_a_drain_without_log_is_there_with_unknowns(
    tables, uses_of, use, registry_of, drain, course_of_use, at
) -> None:
    one = use()
    registry = registry_of(drain(uses=["DV-9/9"], out_at=10))
    got = tables(uses_of(one), registry, course_of_use(one))
    row = only_row(got.drain.filter("linked"))
    assert (row["uses"], row["minutes_observed"], row["completeness"]) == (0, 0, 0.0)
    assert (row["run_hours"], row["output_ml"], row["entered_hours"]) == (None, None, None)
    assert (row["prolonged_leak"], row["prolonged_leak_reason"]) == ("unknown", "no_log")
    hole = only_row(got.period.filter(pl.col("drain_id") == row["drain_id"]))
    assert (hole["kind"], hole["started_at"], hole["ended_at"]) == ("no_data", at(0), at(10))
    ready = got.readiness.filter(drain_id=row["drain_id"])
    assert ready.height == len(load_rules())
    assert ready["removed_before_ready"].null_count() == ready.height


def test_two_patients_of_one_use_share_nothing(
    tables, uses_of, use, registry_of, drain, course_of_use, at
) -> None:
    one = use()
    registry = registry_of(drain(devices=["DV-1"], out_at=10), drain("d2", "p2", in_at=12, devices=["DV-1"]))
    course = course_of_use(one, leak=lambda m: 100.0 if m < 11 * 60 else 0.0)
    got = tables(uses_of(one), registry, course)
    first, second = got.drain.sort("tube_in_at").rows(named=True)
    assert (first["prolonged_leak_reason"], first["leak_total_l"]) == ("removed_leaking", 60.0)
    assert (second["leak_hours"], second["leak_total_l"]) == (0.0, 0.0)
    assert first["output_ml"] == 59.9
    # The second drain's fluid starts at the use's reading before it took over.
    assert second["output_ml"] == pytest.approx((48 * 60 - 1) / 10 - (12 * 60 - 1) / 10)
    before = got.drain_use.filter(from_at=at(12))["output_before_ml"].to_list()
    assert before == [pytest.approx(-(12 * 60 - 1) / 10)]


def test_the_fluid_of_two_devices_adds_up_and_each_day_has_its_part(
    tables, uses_of, use, registry_of, drain, course_of_use, at
) -> None:
    uses = [use(end=20), use("DV-2", start=21, end=40)]
    registry = registry_of(drain(devices=["DV-1", "DV-2"], out_at=40))
    got = tables(uses_of(*uses), registry, *(course_of_use(u) for u in uses))
    total = 119.9 + 113.9
    assert only_row(got.drain)["output_ml"] == pytest.approx(total)
    assert got.drain_use["output_before_ml"].to_list() == [0.0, 119.9]
    # 14:00 local on the 10th, so ten hours, a whole day, and six hours.
    assert got.drain_day["day_no"].to_list() == [0, 1, 2]
    assert got.drain_day["minutes_observed"].to_list() == [600, 1380, 360]
    assert got.drain_day["output_ml"].sum() == pytest.approx(total)
    assert got.drain_day["output_ml"][0] == 59.9
    holes = got.period.filter(kind="no_data").select("started_at", "ended_at", "minutes").rows()
    assert holes == [(at(20), at(21), 60)]


def test_an_unread_day_makes_its_neighbours_fluid_unknown_too(
    tables, uses_of, use, registry_of, course_of_use
) -> None:
    one = use(end=70)
    course = course_of_use(one, output_ml=lambda m: None if 600 <= m < 600 + 1440 else m / 10)
    days = tables(uses_of(one), registry_of(), course).drain_day
    assert days["output_ml"].is_null().to_list() == [False, True, True, False]


def test_a_day_without_a_reading_has_no_output_though_the_last_value_is_carried_on(
    tables, uses_of, use, registry_of, course_of_use
) -> None:
    one = use(end=70)
    # 14:00 local: the first midnight is after 600 minutes, the second after 2040.
    course = course_of_use(
        one,
        output_ml=lambda m: 60.0 if 600 <= m < 2040 else m / 10,
        volume_read=lambda m: not 600 <= m < 2040,
    )
    got = tables(uses_of(one), registry_of(), course)
    assert got.drain_day["output_ml"].is_null().to_list() == [False, True, True, False]
    assert only_row(got.drain)["output_ml"] is not None


def test_a_day_whose_last_hours_went_unread_is_not_known_and_neither_is_the_next(
    tables, uses_of, use, registry_of, course_of_use
) -> None:
    one = use(end=70)
    for unread, known in ((60, True), (61, False)):
        course = course_of_use(one, volume_read=lambda m, k=unread: not 600 - k <= m < 600)
        days = tables(uses_of(one), registry_of(), course).drain_day
        assert days["output_ml"].is_not_null().to_list() == [known, known, True, True]


def test_fluid_that_was_not_read_to_the_end_is_no_sum(
    tables, uses_of, use, registry_of, drain, course_of_use
) -> None:
    one = use(end=30)
    registry = registry_of(drain(devices=["DV-1"], out_at=30))
    for unread, known in ((60, True), (61, False)):
        course = course_of_use(one, volume_read=lambda m, k=unread: m < 1800 - k)
        assert (only_row(tables(uses_of(one), registry, course).drain)["output_ml"] is not None) is known
        untold = course.with_columns(state=pl.lit(None, pl.String))
        assert (only_row(tables(uses_of(one), registry, untold).drain)["output_ml"] is not None) is known
    # Paused for the last hours nothing was drained that a reading could have missed.
    paused = course_of_use(
        one, volume_read=lambda m: m < 1500, state=lambda m: "run" if m < 1500 else "pause"
    )
    assert only_row(tables(uses_of(one), registry, paused).drain)["output_ml"] is not None


def test_what_came_unread_before_a_patients_turn_is_not_given_to_him(
    tables, uses_of, use, registry_of, drain, course_of_use
) -> None:
    one = use()
    registry = registry_of(drain(devices=["DV-1"], out_at=10), drain("d2", "p2", in_at=12, devices=["DV-1"]))
    course = course_of_use(one, volume_read=lambda m: m < 300 or m >= 800)
    assert tables(uses_of(one), registry, course).drain["output_ml"].to_list() == [None, None]


def test_day_0_is_the_local_day_the_procedure_ended(
    tables, uses_of, use, registry_of, drain, course_of_use
) -> None:
    one = use()
    # 22:30 UTC is half past eleven of the same evening in Zurich in March: still the day before.
    registry = registry_of(drain(devices=["DV-1"], procedure_end_at=-14.5))
    days = tables(uses_of(one), registry, course_of_use(one)).drain_day
    assert days["day_no"].to_list() == [1, 2, 3]


def test_the_first_day_is_null_unless_it_was_watched(
    tables, uses_of, use, registry_of, drain, course_of_use
) -> None:
    for start, end, out, watched in ((0, 30, 30, True), (3, 30, 30, False), (0, 23, 23, False)):
        one = use(start=start, end=end)
        registry = registry_of(drain(devices=["DV-1"], out_at=out))
        row = only_row(tables(uses_of(one), registry, course_of_use(one)).drain)
        assert (row["output_first_24h_ml"] is not None) is watched
        assert row["entered_hours"] == start


def test_the_first_day_is_null_unless_readings_bracket_it(
    tables, uses_of, use, registry_of, drain, course_of_use
) -> None:
    one = use(end=30)
    registry = registry_of(drain(devices=["DV-1"], out_at=30))
    for first, last, known in (
        (0, 1800, True),
        (60, 1800, True),
        (61, 1800, False),
        (0, 1380, True),
        (0, 1379, False),
    ):
        # Unread around the end of the first day; read again later, which does not say what came by then.
        course = course_of_use(one, volume_read=lambda m, a=first, b=last: (a <= m <= b) or m > 1700)
        row = only_row(tables(uses_of(one), registry, course).drain)
        assert (row["output_first_24h_ml"] is not None) is known, (first, last)


def test_periods_and_alerts_are_clipped_to_the_drain(
    tables, uses_of, use, registry_of, drain, course_of_use, at
) -> None:
    one = use()
    place = {"use_id": one["use_id"], "site": one["site"], "device": one["device"], "span": 0}
    registry = registry_of(drain(devices=["DV-1"], in_at=10, out_at=20))
    got = tables(
        uses_of(one),
        registry,
        course_of_use(one),
        periods=[
            place | {"kind": "tilted", "started_at": at(9), "ended_at": at(11), "minutes": 120},
            place | {"kind": "paused", "started_at": at(5), "ended_at": at(10), "minutes": 300},
            place | {"kind": "leak", "started_at": at(12), "ended_at": at(13), "minutes": 60},
        ],
        alerts=[
            place | {"code": "battery_low", "started_at": at(12), "ended_at": at(13), "minutes": 60, "minutes_to_clear": 60},
            place | {"code": "pause_long", "started_at": at(19), "ended_at": at(21), "minutes": 120, "minutes_to_clear": 120},
            place | {"code": "canister_full", "started_at": at(21), "ended_at": at(22), "minutes": 60, "minutes_to_clear": 60},
        ],
    )  # fmt: skip
    periods = got.period.select("kind", "started_at", "ended_at", "minutes").rows()
    assert periods == [("tilted", at(10), at(11), 60)]
    alerts = got.alert.select("code", "minutes", "minutes_to_clear").rows()
    assert alerts == [("battery_low", 60, 60), ("pause_long", 60, None)]
    assert only_row(got.drain)["alert_count"] == 2
    assert got.drain_day["alert_count"].sum() == 2


def test_leaks_and_blips_become_periods_of_the_drain(
    tables, uses_of, use, registry_of, course_of_use, at
) -> None:
    one = use()
    course = course_of_use(one, leak=lambda m: 80.0 if m < 120 or 1200 <= m < 1230 else 0.0)
    leaks = tables(uses_of(one), registry_of(), course).period.filter(kind="leak")
    assert leaks.select("started_at", "ended_at").rows() == [(at(0), at(2)), (at(20), at(20.5))]
    assert leaks["detail"].to_list() == [
        "leak on for 120 of its minutes",
        "leak on for 30 of its minutes; a blip, not counted",
    ]


def test_the_volumes_of_a_drains_canisters_are_its_output(
    tables, uses_of, use, registry_of, drain, course_of_use, at
) -> None:
    one = use()
    place = {"use_id": one["use_id"], "site": one["site"], "device": one["device"]}
    course = course_of_use(one, canister_no=lambda m: 1 if m < 15 * 60 else 2 if m < 30 * 60 else 3)
    registry = registry_of(drain(devices=["DV-1"], in_at=10, out_at=40))
    got = tables(
        uses_of(one),
        registry,
        course,
        canisters=[
            place
            | {
                "canister_no": 1,
                "fitted_at": at(0),
                "removed_at": at(15),
                "volume_ml": 89.9,
                "unread_minutes": 3,
            },
            place
            | {
                "canister_no": 2,
                "fitted_at": at(15),
                "removed_at": at(30),
                "volume_ml": 90.0,
                "unread_minutes": 40,
            },
            place | {"canister_no": 3, "fitted_at": at(30), "removed_at": None, "volume_ml": 108.0},
        ],
    )
    assert got.canister.select("canister_no", "fitted_at", "removed_at").rows() == [
        (1, at(10), at(15)),
        (2, at(15), at(30)),
        (3, at(30), None),
    ]
    assert got.canister["volume_ml"].sum() == pytest.approx(only_row(got.drain)["output_ml"])
    assert only_row(got.drain)["canister_changes"] == 2
    assert got.canister["unread_minutes"].to_list() == [3, 40, None]
    assert only_row(got.drain)["canister_unread_minutes"] == 43


def test_minutes_missing_inside_a_use_are_holes_and_cost_completeness(
    tables, uses_of, use, registry_of, drain, course_of_use, at
) -> None:
    one = use(end=20)
    course = course_of_use(one, observed=lambda m: not 300 <= m < 360)
    got = tables(uses_of(one), registry_of(drain(devices=["DV-1"], in_at=-2, out_at=22)), course)
    holes = got.period.filter(kind="no_data").select("started_at", "ended_at").rows()
    assert holes == [(at(-2), at(0)), (at(5), at(6)), (at(20), at(22))]
    row = only_row(got.drain)
    assert (row["minutes_observed"], row["minutes_expected"]) == (1140, 1440)
    assert row["completeness"] == pytest.approx(1140 / 1440, abs=1e-6)


def test_a_drain_does_not_depend_on_the_others_of_its_call(
    tables, uses_of, use, registry_of, drain, course_of_use
) -> None:
    uses = [use(end=30), use("DV-2", end=26), use("DV-3", start=5, end=40)]
    registry = registry_of(
        drain(devices=["DV-1"], out_at=12),
        drain("d2", "p2", in_at=12, out_at=30, devices=["DV-1"]),
        drain("d3", "p3", out_at=26, devices=["DV-2"]),
    )
    courses = [
        course_of_use(u, leak=lambda m, k=k: 90.0 if m < 300 * k else 0.3 * k) for k, u in enumerate(uses)
    ]
    together = tables(uses_of(*uses), registry, *courses)
    assert together.drain.height == 4
    for drain_id in together.drain["drain_id"]:
        alone = tables(uses_of(*uses), registry, *reversed(courses), only=[drain_id])
        for table in TABLES:
            mine = getattr(together, table.name).filter(drain_id=drain_id)
            assert getattr(alone, table.name).equals(mine), table.name


def test_the_order_of_minutes_in_the_frames_changes_nothing(
    tables, uses_of, use, registry_of, drain, course_of_use
) -> None:
    one = use(end=30)
    registry = registry_of(
        drain(devices=["DV-1"], out_at=12), drain("d2", "p2", in_at=12, out_at=30, devices=["DV-1"])
    )
    course = course_of_use(one, leak=lambda m: 90.0 if m % 700 < 300 else 0.3, swing_cmh2o=lambda m: m % 7)
    sorted_, shuffled = (
        tables(uses_of(one), registry, rows)
        for rows in (course, course.sample(fraction=1, shuffle=True, seed=5))
    )
    for table in TABLES:
        assert getattr(sorted_, table.name).equals(getattr(shuffled, table.name)), table.name


def test_days_are_those_of_the_site_not_of_greenwich(
    tables, uses_of, use, registry_of, course_of_use
) -> None:
    one = use(end=12, timezone="Pacific/Auckland")
    course = course_of_use(one, utc_offset_minutes=780)
    got = tables(uses_of(one), registry_of(), course)
    # 13:00 UTC is two in the morning of the 11th in Auckland.
    assert [str(day) for day in got.drain_day["day"]] == ["2031-03-11"]
    assert str(only_row(got.drain)["origin_day"]) == "2031-03-11"
    assert got.drain_day["day_no"].to_list() == [0]
    assert timedelta(0) == got.drain["started_at"][0] - one["started_at"]
