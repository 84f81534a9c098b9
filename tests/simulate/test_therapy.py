"""What a simulated therapy holds to, whatever chance decides."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.simulate import Plan, RegistryDrain, Stretch, draw_plan, quiet_plan, therapy
from pipeline.simulate.expected import drain_truth
from pipeline.simulate.plan import DAY, HOUR
from schemas.lake import READINGS
from schemas.table import Table

LEAKING = Plan(minutes=3 * DAY, leak_first_ml_min=300, leak_last_ml_min=70, sealed_minute=40 * HOUR)


def rows(lived, start: int, end: int, of: str = "truth") -> pl.DataFrame:
    """Minutes `start` to before `end` of the truth, or of a log without holes."""
    return getattr(lived, of)[start:end]


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_the_same_seed_gives_the_same_therapy(seed: int) -> None:
    one, again = therapy(seed), therapy(seed)
    assert one.plan == again.plan
    assert one.truth.equals(again.truth)
    assert one.log.equals(again.log)


def test_another_seed_gives_another_therapy() -> None:
    assert not therapy(1, quiet_plan(DAY)).log.equals(therapy(2, quiet_plan(DAY)).log)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_readings_keep_to_the_contract(seed: int) -> None:
    readings = Table("readings", "Readings of a log.", READINGS)
    assert readings.validate(readings.conform(therapy(seed).log)).height > 0


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_truth_obeys_the_plumbing(seed: int) -> None:
    truth = therapy(seed).truth
    assert (truth["output_ml"].diff().drop_nulls() >= 0).all()
    shut = truth.filter(pl.col("clamped") | pl.col("occluded"))
    assert (shut["flow_ml_min"] == 0).all()
    assert (shut["swing_cmh2o"] == 0).all()
    assert not shut["breathing_visible"].any()
    assert (truth["flow_ml_min"] <= truth["leak_ml_min"]).all()
    assert (truth["canister_no"].diff().drop_nulls().is_in([0, 1])).all()
    for start in np.flatnonzero(np.diff(truth["occluded"].cast(pl.Int8), prepend=0) == 1):
        before = truth["output_ml"][int(start) - 1] if start else 0.0
        assert truth["output_ml"][int(start)] == before


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_least_mean_and_greatest_pressure_are_in_order(seed: int) -> None:
    log = therapy(seed).log
    assert (log["pressure_min_cmh2o"] <= log["pressure_mean_cmh2o"]).all()
    assert (log["pressure_mean_cmh2o"] <= log["pressure_max_cmh2o"]).all()


def test_a_log_begins_with_a_self_check_that_holds_its_pressure() -> None:
    first = therapy(5, quiet_plan(DAY)).log.head(3)
    assert first["state"].to_list() == ["check"] * 3
    assert ((first["pressure_max_cmh2o"] - first["pressure_min_cmh2o"]) < 0.5).all()


def test_a_failed_self_check_rings_and_is_done_again() -> None:
    log = therapy(5, replace(quiet_plan(DAY), failed_checks=1)).log
    assert log["state"].to_list()[:7] == ["check"] * 6 + ["run"]
    assert log["alerts"].to_list()[2] == ["self_check_failed"]
    assert log["alerts"].to_list()[5] == []
    assert (log["pressure_mean_cmh2o"][:3] > log["pressure_mean_cmh2o"][3:6].max() + 4).all()


def test_a_swapped_device_checks_itself_and_has_its_own_canister() -> None:
    lived = therapy(5, replace(quiet_plan(2 * DAY), swaps=(DAY,)))
    log = lived.log
    assert log["state"].to_list()[DAY - 1 : DAY + 4] == ["run", "check", "check", "check", "run"]
    assert log["canister_volume_ml"][DAY + 2] < 10 < 100 < log["canister_volume_ml"][DAY - 1]
    assert (lived.truth["output_ml"].diff().drop_nulls() >= 0).all()


def test_nobody_told_the_device_so_it_does_not_check_itself() -> None:
    assert therapy(5, replace(quiet_plan(DAY), self_check=False)).log["state"][0] == "run"


def test_a_lung_that_never_leaked_has_no_leak_end() -> None:
    lived = therapy(5, quiet_plan(2 * DAY))
    assert lived.leak_end_minute is None
    assert lived.log["air_leak_ml_min"].max() < 10


def test_a_sealed_lung_stops_leaking_when_the_truth_says_so() -> None:
    lived = therapy(5, LEAKING)
    end = lived.leak_end_minute
    assert end is not None
    assert abs(end - LEAKING.sealed_minute) <= 30
    leak = lived.log["air_leak_ml_min"]
    assert leak[end - 180 : end - 60].median() > 20
    assert leak[end + 60 : end + 180].median() == 0


def test_a_plateau_does_not_fall() -> None:
    flat = therapy(5, replace(LEAKING, plateaus=(Stretch(10 * HOUR, 20 * HOUR),))).truth["leak_trend_ml_min"]
    assert flat[10 * HOUR + 1] == pytest.approx(flat[20 * HOUR - 1])


def test_weaker_suction_draws_less_air() -> None:
    sealed = therapy(5, replace(LEAKING, suction=((0, -20.0), (20 * HOUR, -8.0)))).truth["leak_trend_ml_min"]
    assert sealed[20 * HOUR] < 0.85 * sealed[20 * HOUR - 1]


def test_a_blocked_tube_dams_fluid_and_its_release_brings_it() -> None:
    plan = replace(quiet_plan(2 * DAY), occlusions=(Stretch(20 * HOUR, 23 * HOUR, "rings"),))
    lived = therapy(5, plan)
    output = lived.truth["output_ml"]
    assert output[23 * HOUR - 1] == output[20 * HOUR - 1]
    assert output[23 * HOUR + 30] - output[23 * HOUR - 1] >= 20
    rang = lived.log.filter(pl.col("alerts").list.contains("line_blocked"))["minute"]
    assert (
        lived.start + timedelta(hours=20, minutes=5)
        <= rang[0]
        <= lived.start + timedelta(hours=20, minutes=21)
    )
    assert rang[-1] == lived.start + timedelta(hours=23, minutes=-1)


def test_a_silent_blockage_does_not_ring() -> None:
    plan = replace(quiet_plan(2 * DAY), occlusions=(Stretch(20 * HOUR, 2 * DAY, "silent"),))
    assert not therapy(5, plan).log["alerts"].list.contains("line_blocked").any()


def test_a_full_canister_rings_until_it_is_changed_and_reads_empty_after() -> None:
    lived = therapy(5, replace(quiet_plan(2 * DAY), fluid_first_ml_h=60, canister_ml=300))
    changed = int(np.flatnonzero(lived.truth["canister_no"].diff() == 1)[0])
    log = lived.log
    assert "canister_full" in log["alerts"].to_list()[changed - 1]
    assert "canister_full" not in log["alerts"].to_list()[changed]
    assert log["state"][changed] == "pause"
    assert log["canister_volume_ml"][changed + 1] < 10 < 250 < log["canister_volume_ml"][changed - 2]


def test_a_forgotten_clamp_stops_leak_and_breathing_until_it_is_opened() -> None:
    lived = therapy(5, replace(LEAKING, fluid_first_ml_h=60, canister_ml=300, forgotten_clamps=((1, 30),)))
    clamped = lived.truth.filter("clamped")
    assert clamped.height == 30
    stretch = lived.log.filter(pl.col("minute").is_in(clamped["minute"].to_list()))
    assert (stretch["state"] == "run").all()
    assert stretch["air_leak_ml_min"].max() < 10


def test_a_coming_up_lung_loses_its_swing_over_hours() -> None:
    swing = therapy(5, replace(quiet_plan(2 * DAY), expansion=Stretch(DAY, DAY + 10 * HOUR))).truth[
        "swing_cmh2o"
    ]
    quarter = [float(swing[DAY + h * HOUR : DAY + (h + 1) * HOUR].median()) for h in (0, 5, 9)]
    assert quarter[0] > 1.4 * quarter[1] > 1.4 * 1.4 * quarter[2]
    assert swing[DAY + 11 * HOUR :].max() < 0.3


def test_a_filled_loop_damps_the_swing_and_shuts_nothing() -> None:
    truth = therapy(5, replace(LEAKING, loops=(Stretch(600, 900),))).truth
    assert truth["swing_cmh2o"][600:900].median() < 0.4 * truth["swing_cmh2o"][300:600].median()
    assert truth["flow_ml_min"][600:900].min() > 0


def test_an_open_line_leaks_much_and_loses_suction() -> None:
    lived = therapy(5, replace(LEAKING, line_open=(Stretch(600, 610, "rings"),)))
    open_log = rows(lived, 600, 610, "log")
    assert open_log["air_leak_ml_min"].min() > 1200
    assert (open_log["pressure_mean_cmh2o"] > -10).all()
    assert all("line_leak" in alerts for alerts in open_log["alerts"])
    assert not rows(lived, 600, 610)["breathing_visible"].any()


def test_tilt_spoils_the_volume_reading_and_not_the_truth() -> None:
    plan = replace(quiet_plan(2 * DAY), knocked_over=(Stretch(1500, 1560),), canister_ml=2000)
    lived = therapy(6, plan)
    tilted = rows(lived, 1500, 1560)
    assert tilted["tilted"].all()
    error = (rows(lived, 1500, 1560, "log")["canister_volume_ml"] - tilted["output_ml"]).abs()
    upright = (
        rows(lived, 1400, 1490, "log")["canister_volume_ml"] - rows(lived, 1400, 1490)["output_ml"]
    ).abs()
    assert error.median() > 5 * upright.median()


def test_a_device_that_is_off_writes_no_rows_and_one_that_lost_rows_counted_them() -> None:
    lived = therapy(5, replace(quiet_plan(DAY), off=(Stretch(100, 130),), lost=(Stretch(200, 210),)))
    assert lived.log.height == DAY - 30
    assert lived.log["lost"].sum() == 10
    assert (~lived.truth["logged"]).sum() == 40


def test_walks_run_on_battery() -> None:
    lived = therapy(5, replace(quiet_plan(DAY), walks=(Stretch(600, 620),)))
    walk = rows(lived, 600, 620, "log")
    assert not walk["mains"].any()
    assert walk["battery_pct"][-1] < walk["battery_pct"][0]


def test_a_start_in_another_zone_is_the_same_instant() -> None:
    start = datetime.fromisoformat("2031-03-10T14:00:00+01:00")
    assert therapy(5, quiet_plan(DAY), start).start == datetime(2031, 3, 10, 13, tzinfo=UTC)


def test_a_wards_mix_holds_every_kind_of_course() -> None:
    plans = [draw_plan(np.random.default_rng(seed)) for seed in range(400)]
    prolonged = sum(min(plan.sealed_minute, plan.minutes) > 5 * DAY for plan in plans) / len(plans)
    assert 0.08 < prolonged < 0.22
    assert any(plan.leak_first_ml_min == 0 for plan in plans)
    assert any(plan.sealed_minute > plan.minutes for plan in plans)
    for event in (
        "occlusions",
        "clamps",
        "line_open",
        "expansion",
        "off",
        "lost",
        "ventilated",
        "loops",
        "recurrences",
    ):
        assert any(getattr(plan, event) for plan in plans), event
    assert max(plan.minutes for plan in plans) <= 14 * DAY


def known_of(
    plan: Plan, reason: str | None = "planned", uses: tuple[str, ...] = ("DV-1/1",), told: bool = True
) -> tuple[str, str | None]:
    """What the truth says a ledger can know of a drain, registered with that removal reason and its time."""
    lived = therapy(5, plan)
    row = None
    if reason is not None:
        out = lived.end if told else None
        row = RegistryDrain("K", "P", "lakeside", "T3", lived.start, out, removal_reason=reason)
    found = drain_truth(lived, "lakeside", 1, "", list(uses), row)
    return found["expected_prolonged_leak"], found["expected_reason"]


def leak_until(hours: int, total: int) -> Plan:
    return replace(LEAKING, sealed_minute=hours * HOUR, minutes=total * HOUR)


@pytest.mark.parametrize(
    ("plan", "reason", "known"),
    [
        (leak_until(40, 60), "planned", ("no", None)),
        (leak_until(130, 150), "planned", ("yes", None)),
        (leak_until(130, 150), "died", ("yes", None)),
        (leak_until(90, 60), "planned", ("unknown", "removed_leaking")),
        (leak_until(90, 60), "transferred_with_drain", ("unknown", "transferred_with_drain")),
        (leak_until(90, 60), None, ("unknown", "log_ends_leaking")),
        (leak_until(40, 60), "died", ("unknown", "died")),
        (leak_until(40, 140), "died", ("no", None)),
        (leak_until(40, 60), None, ("no", "removal_presumed")),
    ],
)
def test_what_can_be_known_of_a_prolonged_leak(
    plan: Plan, reason: str | None, known: tuple[str, str | None]
) -> None:
    assert known_of(plan, reason) == known


def test_who_dies_soon_after_five_days_had_no_prolonged_leak_if_the_lung_was_seen_until_then() -> None:
    assert known_of(leak_until(40, 122), "died") == ("no", None)
    assert known_of(leak_until(40, 120), "died") == ("unknown", "died")


def test_a_tube_shut_from_five_days_to_death_shows_nothing_of_the_lung_after_them() -> None:
    shut = replace(leak_until(40, 122), clamps=(Stretch(119 * HOUR, 122 * HOUR, "silent"),))
    assert known_of(shut, "died") == ("unknown", "died")


def test_without_a_time_of_removal_six_hours_past_the_five_days_are_wanted() -> None:
    assert known_of(leak_until(40, 122), "died", told=False) == ("unknown", "died")
    assert known_of(leak_until(40, 128), "died", told=False) == ("no", None)


def test_a_blocked_tube_hides_the_end_of_a_leak() -> None:
    plan = replace(leak_until(40, 60), occlusions=(Stretch(30 * HOUR, 60 * HOUR, "silent"),))
    assert known_of(plan) == ("unknown", "removed_leaking")
    later = replace(plan, occlusions=(Stretch(45 * HOUR, 60 * HOUR, "silent"),))
    assert known_of(later) == ("no", None)


def test_without_a_log_nothing_can_be_known() -> None:
    assert known_of(leak_until(40, 60), uses=()) == ("unknown", "no_log")
