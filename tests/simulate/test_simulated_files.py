"""What the simulator writes, read back by a small parser that shares no code with the ingest."""

import csv
import gzip
import io
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.simulate import (
    Annotation,
    Clock,
    Plan,
    RegistryDrain,
    Stretch,
    TraceFormat,
    device_rows,
    exports,
    part,
    quiet_plan,
    therapy,
    traces,
    write_annotations,
    write_north,
    write_registry,
    write_v1,
)
from pipeline.simulate.device import with_conflicts
from pipeline.simulate.layouts import compressed, encode
from pipeline.simulate.plan import DAY, HOUR

ZURICH = Clock("Europe/Zurich")
STATES = {"run", "pause", "check"}
ALERTS = {
    "canister_full", "battery_low", "line_blocked", "filter_blocked",
    "line_leak", "pause_long", "self_check_failed", "output_high",
}  # fmt: skip
EVENTFUL = Plan(
    minutes=DAY,
    leak_first_ml_min=250,
    leak_last_ml_min=60,
    sealed_minute=15 * HOUR,
    canister_ml=300,
    fluid_first_ml_h=70,
    failed_checks=1,
    walks=(Stretch(600, 625, "flat"),),
    pauses=(Stretch(300, 320),),
    line_open=(Stretch(800, 806, "rings"),),
)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def parsed_v1(data: bytes) -> tuple[dict[str, str], list[dict[str, str]], str]:
    """Preamble, rows and last line of a version 1 log."""
    lines = data.decode("utf-8").splitlines()
    preamble = dict(line[2:].split(": ", 1) for line in lines if line.startswith("# "))
    table = [line for line in lines if not line.startswith("#")]
    return preamble, list(csv.DictReader(table)), lines[-1]


def test_a_version_1_log_keeps_the_contract() -> None:
    rows = device_rows([part(traces(therapy(8, EVENTFUL)), 17)], ZURICH, first_record=48211)
    data = write_v1(
        rows, "DV-0042", at("2031-03-03T06:00:00+01:00"), "Europe/Zurich", "lakeside", TraceFormat()
    )
    preamble, found, last = parsed_v1(data)
    assert preamble["drain-log"] == "1"
    assert re.fullmatch(r"[A-Za-z0-9._-]{1,40}", preamble["device"])
    assert datetime.fromisoformat(preamble["exported_at"]).utcoffset() == timedelta(hours=1)
    assert ZoneInfo(preamble["timezone"])
    assert preamble["trace"] == "rate_hz=10 factor=0.1 origin=0 unit=cm[H2O]"
    assert last == f"# end: rows={len(found)}"
    assert len(found) == DAY
    for row in found:
        assert None not in row
        assert None not in row.values()
        assert datetime.strptime(row["clock"], "%Y-%m-%dT%H:%M")
        assert row["state"] in STATES
        assert float(row["set_pressure"]) <= 0
        low, mean, high = (float(row[f"pressure_{name}"]) for name in ("min", "mean", "max"))
        assert low <= mean <= high
        assert float(row["air_leak"]) >= 0
        assert row["canister_volume"] == "" or float(row["canister_volume"]) >= 0
        assert row["tilt"] == "" or 0 <= float(row["tilt"]) <= 180
        assert 0 <= float(row["battery"]) <= 100
        assert row["mains"] in {"0", "1"}
        for alert in filter(None, row["alerts"].split(";")):
            assert alert in ALERTS or alert.startswith("other:")
        assert all(re.fullmatch(r"-?\d+|E|U|L", number) for number in row["trace"].split())
    assert [int(row["record"]) for row in found] == list(range(48211, 48211 + DAY))
    assert sum(bool(row["trace"]) for row in found) == DAY // 5


def test_numbers_survive_the_way_into_the_file() -> None:
    rows = device_rows([part(traces(therapy(8, EVENTFUL)), 17)], ZURICH)
    found = parsed_v1(write_v1(rows, "DV-1", at("2031-03-03T06:00:00+01:00"), "Europe/Zurich"))[1]
    for column, name in (
        ("pressure_mean", "pressure_mean_cmh2o"),
        ("air_leak", "air_leak_ml_min"),
        ("tilt", "tilt_deg"),
    ):
        written = [float(row[column]) if row[column] else None for row in found]
        assert written == pytest.approx(rows[name].to_list(), abs=1e-6)
    first = [float(word) / 10 for word in found[10]["trace"].split()]
    assert first == pytest.approx(rows["samples_cmh2o"].to_list()[10], abs=1e-4)


def test_traces_are_written_as_sampled_data() -> None:
    samples = pl.Series([[0.04, -20.0, float("nan"), float("inf"), float("-inf")], None])
    assert encode(samples, TraceFormat()).to_list() == ["0 -200 E U L", None]
    assert encode(samples, TraceFormat(factor=0.05, origin=-20)).to_list() == ["401 0 E U L", None]


def test_crlf_and_no_end_line_are_written_on_request() -> None:
    rows = device_rows([part(therapy(8, quiet_plan(DAY)), 1)], ZURICH)
    data = write_v1(rows, "DV-1", at("2031-03-03T06:00:00+01:00"), "UTC", newline="\r\n", end=False)
    assert data.count(b"\r\n") == data.count(b"\n") == DAY + 5  # four lines of preamble and a header
    assert b"# end" not in data


def test_compressed_logs_hold_no_time_of_writing() -> None:
    assert compressed(b"abc") == compressed(b"abc")
    assert compressed(b"abc")[4:8] == bytes(4)
    assert gzip.decompress(compressed(b"abc")) == b"abc"


def test_the_north_layout_says_the_same_in_its_own_units() -> None:
    lived = therapy(8, EVENTFUL)
    rows = device_rows([part(lived, 17)], Clock("Europe/Helsinki"), first_record=5)
    data = write_north(rows, at("2031-03-12T06:00:00+02:00"))
    lines = data.decode("cp1252").split("\r\n")
    assert lines[:2] == ["Ward share export;2", "Written;12.03.2031 06:00"]
    assert lines[-1] == ""
    found = list(csv.DictReader(io.StringIO("\n".join(lines[2:])), delimiter=";"))
    assert len(found) == DAY

    def number(text: str) -> float | None:
        return None if text == "--" else float(text.replace(",", "."))

    def column(name: str, factor: float) -> list[float | None]:
        values = [number(row[name]) for row in found]
        return [None if value is None else value * factor for value in values]

    pascal = 98.0665  # Pa in 1 cm[H2O], NIST SP 811
    assert column("Pressure (kPa)", 1000 / pascal) == pytest.approx(
        rows["pressure_mean_cmh2o"].to_list(), abs=0.006
    )
    assert column("Ordered (kPa)", -1000 / pascal) == pytest.approx(
        rows["set_pressure_cmh2o"].to_list(), abs=0.006
    )
    assert column("Leak (L/min)", 1000) == pytest.approx(rows["air_leak_ml_min"].to_list(), abs=1e-6)
    assert column("Canister (cL)", 10) == pytest.approx(rows["canister_volume_ml"].to_list(), abs=1e-6)
    assert column("Tilt (rad)", 57.29578) == pytest.approx(rows["tilt_deg"].to_list(), abs=0.03)
    words = {"on": "run", "hold": "pause", "test": "check"}
    assert [words[row["Mode"]] for row in found] == rows["state"].to_list()
    said = {message for row in found for message in row["Messages"].split()}
    assert {"M1", "M5", "M6", "M7"} <= said
    assert found[0]["Start"] == "01.03.2031 15:00"
    assert "--" in {row["Canister (cL)"] for row in found} or rows["canister_volume_ml"].null_count() == 0


def test_the_clock_skips_an_hour_in_spring_and_repeats_one_in_autumn() -> None:
    for begin, hour_after_1_59 in (("2031-03-30T00:00:00+00:00", 3), ("2031-10-26T00:00:00+00:00", 2)):
        rows = device_rows([part(therapy(1, quiet_plan(4 * HOUR), at(begin)), 1)], ZURICH)
        hours = rows["clock"].dt.hour().to_list()
        assert hours[::HOUR][1 if hour_after_1_59 == 3 else 0] == hour_after_1_59
    assert hours[::HOUR] == [2, 2, 3, 4]


def test_a_clock_that_does_not_follow_shows_times_that_do_not_exist() -> None:
    lived = therapy(1, quiet_plan(4 * HOUR), at("2031-03-30T00:00:00+00:00"))
    rows = device_rows([part(lived, 1)], Clock("Europe/Zurich", follows_dst=False))
    assert rows["clock"].dt.hour().to_list()[::HOUR] == [1, 2, 3, 4]


def test_a_step_moves_the_clock_and_not_the_counter() -> None:
    lived = therapy(1, quiet_plan(4 * HOUR), at("2031-03-10T08:00:00+00:00"))
    for minutes in (-45, 50):
        clock = Clock("UTC", steps=((at("2031-03-10T10:00:00+00:00"), minutes),))
        rows = device_rows([part(lived, 1)], clock)
        jumps = rows["clock"].diff().dt.total_minutes().to_list()[1:]
        assert jumps[119] == 1 + minutes
        assert set(jumps[:119] + jumps[120:]) == {1}
        assert rows["record"].diff().drop_nulls().to_list() == [1] * (4 * HOUR - 1)


def test_the_counter_stands_while_off_counts_lost_rows_and_starts_again_after_service() -> None:
    lived = therapy(1, replace(quiet_plan(DAY), off=(Stretch(100, 130),), lost=(Stretch(200, 210),)))
    rows = device_rows([part(lived, 4), part(lived, 1, reset_before=True)], ZURICH, first_record=500)
    first = rows.filter(session=4)
    assert first["record"].to_list()[99:101] == [599, 600]
    assert first["minute"][100] - first["minute"][99] == timedelta(minutes=31)
    gap = first.filter(pl.col("record").diff() != 1)
    assert gap.height == 1
    assert first.height == DAY - 40
    assert rows.filter(session=1)["record"][0] == 1


def test_a_device_without_a_counter_leaves_the_column_empty() -> None:
    rows = device_rows([part(therapy(1, quiet_plan(HOUR * 2)), 1)], ZURICH, with_record=False)
    found = parsed_v1(write_v1(rows, "DV-1", at("2031-03-03T06:00:00+01:00"), "UTC"))[1]
    assert {row["record"] for row in found} == {""}


def test_overlapping_exports_agree_and_hold_what_the_device_remembers() -> None:
    lived = therapy(1, quiet_plan(DAY), at("2031-03-10T00:00:00+00:00"))
    rows = device_rows([part(lived, 1)], ZURICH)
    one, two = exports(
        rows, [at("2031-03-10T12:00:00+00:00"), at("2031-03-10T18:00:00+00:00")], timedelta(hours=10)
    )
    assert (one.rows.height, two.rows.height) == (600, 600)
    both = one.rows.join(two.rows, on="minute", how="semi")
    assert both.height == 4 * HOUR
    assert both.equals(two.rows.join(one.rows, on="minute", how="semi"))
    assert exports(rows, [at("2031-03-09T00:00:00+00:00")], timedelta(hours=10)) == []


def test_conflicts_are_as_rare_as_asked_for() -> None:
    lived = therapy(1, quiet_plan(DAY), at("2031-03-10T00:00:00+00:00"))
    rows = device_rows([part(lived, 1)], ZURICH)
    (export,) = exports(rows, [at("2031-03-11T00:00:00+00:00")], timedelta(hours=48))
    changed = with_conflicts(export, 400)
    assert (changed.rows["air_leak_ml_min"] != export.rows["air_leak_ml_min"]).sum() == 4
    assert changed.rows.drop("air_leak_ml_min").equals(export.rows.drop("air_leak_ml_min"))


def test_a_swapped_device_takes_the_therapy_on_where_the_other_left_it() -> None:
    lived = therapy(1, quiet_plan(DAY))
    before, after = part(lived, 9, 0, 600), part(lived, 2, 610)
    assert before.log.height == 600
    assert after.log["minute"][0] - before.log["minute"][-1] == timedelta(minutes=11)


def test_registry_and_annotations_are_csv_after_a_preamble() -> None:
    drain = RegistryDrain("K-1", "P-1", "lakeside", "T3, left wing", at("2031-03-10T09:00:00+01:00"))
    text = write_registry([drain], at("2031-04-01T08:00:00+02:00")).decode().splitlines()
    assert text[:2] == ["# drain-registry: 1", "# exported_at: 2031-04-01T08:00:00+02:00"]
    (row,) = csv.DictReader(text[2:])
    assert row["unit"] == "T3, left wing"
    assert row["tube_in_at"] == "2031-03-10T09:00:00+01:00"
    assert row["tube_out_at"] == row["uses"] == row["removal_reason"] == ""
    note = Annotation(
        "K-1", "lakeside", datetime(2031, 3, 11, tzinfo=UTC), None, "note", "nurse", 'said "ok"'
    )
    lines = write_annotations([note], at("2031-04-01T08:00:00+02:00")).decode().splitlines()
    assert lines[0] == "# drain-annotations: 1"
    assert next(csv.DictReader(lines[2:]))["note"] == 'said "ok"'
