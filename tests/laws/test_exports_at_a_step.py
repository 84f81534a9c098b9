"""Where a log without a record counter is cut into exports decides no outcome, a step of the clock included."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import duckdb
import pytest

from tests.support.homes import load, make_home

ZURICH = ZoneInfo("Europe/Zurich")
BEGIN = datetime(2031, 5, 5, 8, 0, tzinfo=UTC)
HOURS = 140
STEP, LEAK_UNTIL = 60 * 60, 120 * 60 + 30  # minutes; the leak spans five days in truth, and not by the clock
CUTS = {"FLIP-0": None, "FLIP-1": STEP, "FLIP-2": STEP + 10, "FLIP-3": STEP + 60}


def rows() -> list[str]:
    """A device in summer whose clock is set back by 45 minutes at hour 60."""
    chance = random.Random(1)
    found = []
    for minute in range(HOURS * 60):
        ahead = timedelta(minutes=120 if minute < STEP else 75)
        clock = (BEGIN + timedelta(minutes=minute) + ahead).replace(tzinfo=None)
        swing = 3 + chance.uniform(-0.4, 0.4)
        leak = 70 if minute < LEAK_UNTIL else 0
        found.append(
            f",{clock:%Y-%m-%dT%H:%M},17,run,-20,-20,{-20 - 0.6 * swing:.1f},{-20 + 0.4 * swing:.1f},{leak},"
            f"{20 + minute / 60:.1f},1,80,1,"
        )
    return found


def export(device: str, lines: list[str], exported_at: datetime) -> str:
    return "\n".join(
        [
            "# drain-log: 1",
            "# site: lakeside",
            f"# device: {device}",
            f"# exported_at: {exported_at.astimezone(ZURICH).isoformat()}",
            "# timezone: Europe/Zurich",
            "record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,air_leak,"
            "canister_volume,tilt,battery,mains,alerts",
            *lines,
            f"# end: rows={len(lines)}",
            "",
        ]
    )


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> duckdb.DuckDBPyConnection:
    """The ledger of four devices with one and the same log, each cut in another place."""
    folder = tmp_path_factory.mktemp("exports")
    end = BEGIN + timedelta(hours=HOURS)
    begun, out = (moment.astimezone(ZURICH).isoformat() for moment in (BEGIN, end))
    registry = [
        "# drain-registry: 1",
        "# exported_at: 2031-05-31T00:00:00+02:00",
        "drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,procedure,procedure_end_at,side,"
        "removal_reason",
    ]
    log = rows()
    for device, at in CUTS.items():
        parts = [log] if at is None else [log[:at], log[at:]]
        for i, part in enumerate(parts):
            text = export(device, part, end + timedelta(minutes=30 + i))
            (folder / f"{device} {i}.csv").write_text(text, encoding="utf-8")
        registry.append(
            f"K{device},P{device},lakeside,W1,{begun},{out},{device}/17,lobectomy,{begun},left,planned"
        )
    (folder / "registry.csv").write_text("\n".join(registry) + "\n", encoding="utf-8")
    home = make_home(tmp_path_factory.mktemp("ledger") / "home")
    load(home, sorted(folder.iterdir(), reverse=True))
    return duckdb.connect(str(home.database), read_only=True)


def test_the_outcome_of_a_log_without_records_is_that_of_the_log_in_one_file(
    database: duckdb.DuckDBPyConnection,
) -> None:
    told = "prolonged_leak, prolonged_leak_reason, leak_hours, leak_ended_at, ended_at, output_ml"
    drains = database.execute(f"SELECT {told} FROM drain").fetchall()
    assert len(drains) == len(CUTS)
    assert drains[0][:2] == ("unknown", "clock_uncertain")
    assert set(drains) == {drains[0]}


def test_what_the_step_hides_is_counted_wherever_the_exports_meet(
    database: duckdb.DuckDBPyConnection,
) -> None:
    counted = database.execute(
        "SELECT device, sum(minutes_hidden), sum(minutes_conflicting), sum(clock_steps), "
        "sum(minutes_uncertain) "
        "FROM data_quality WHERE scope = 'device_day' GROUP BY device ORDER BY device"
    ).fetchall()
    assert counted == [(device, 45, 0, 1, 0) for device in CUTS]
