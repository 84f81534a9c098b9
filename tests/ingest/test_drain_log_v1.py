"""The project's own layout, column by column, as the contract has it."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime

import pytest

from tests.ingest.drain_logs import DATA, DEFINITIONS, FIRST_ROW_LINE, Log, faults, read, row


def only(**cells: object) -> dict[str, object]:
    """The one minute of a log of one row; the row must be kept."""
    answer = read(Log((row(**cells),)).data)
    return answer.minutes.row(0, named=True)


def test_every_column_of_the_contract_lands_in_its_place() -> None:
    answer = read((DATA / "v1_lakeside.csv").read_bytes())
    first = answer.minutes.drop("file_sha256").row(0, named=True)
    assert first == {
        "line": 8,
        "site": "lakeside",
        "device": "DV-0042",
        "session": 17,
        "record": 48211,
        "clock": datetime(2031, 3, 10, 14, 0),
        "state": "run",
        "set_pressure_cmh2o": -20.0,
        "pressure_mean_cmh2o": -19.8,
        "pressure_min_cmh2o": -22.4,
        "pressure_max_cmh2o": -17.6,
        "air_leak_ml_min": 140.0,
        "canister_volume_ml": 35.0,
        "tilt_deg": 1.2,
        "battery_pct": 88.0,
        "mains": True,
        "alerts": [],
        "month": "2031-03",
    }
    assert answer.file["exported_at"] == datetime(2031, 3, 14, 5, tzinfo=UTC)
    assert answer.file["timezone"] == "Europe/Zurich"
    assert answer.file["complete"] is True
    assert answer.file["status"] == "loaded"
    assert answer.file["clock_follows_dst"] is None


def test_empty_optional_cells_are_unknown_and_an_empty_alerts_cell_says_that_none_rang() -> None:
    names = ("record", "set_pressure", "pressure_mean", "pressure_min", "pressure_max", "air_leak")
    names += ("canister_volume", "tilt", "battery", "mains", "alerts", "trace")
    minute = only(**dict.fromkeys(names, ""))
    assert minute["alerts"] == []
    assert [
        value for key, value in minute.items() if key.endswith(("_cmh2o", "_ml", "_min", "_deg", "_pct"))
    ] == [None] * 8
    assert minute["record"] is None
    assert minute["mains"] is None


def test_alerts_are_sorted_without_doubles_and_unknown_codes_are_kept_as_other() -> None:
    minute = only(alerts="pause_long; canister_full;pause_long;E7;other:z-1")
    assert minute["alerts"] == ["canister_full", "other:E7", "other:z-1", "pause_long"]


def test_a_trace_is_decoded_with_its_missing_and_out_of_range_samples() -> None:
    answer = read(Log((row(trace="-198 E U L -188"), row(1))).data)
    assert answer.traces["line"].to_list() == [FIRST_ROW_LINE]
    assert answer.traces["rate_hz"].to_list() == [10.0]
    samples = answer.traces["samples_cmh2o"].to_list()[0]
    assert samples[0] == pytest.approx(-19.8, abs=1e-5)
    assert str(samples[1:4]) == "[nan, inf, -inf]"


def test_a_trace_in_another_unit_becomes_centimetres_of_water() -> None:
    log = Log((row(trace="-147"),)).saying(trace="rate_hz=25 origin=0 factor=0.1 unit=mm[Hg]")
    assert read(log.data).traces["samples_cmh2o"].to_list()[0] == pytest.approx([-14.7 * 1.359510], abs=1e-3)


def test_a_log_without_a_trace_column_is_whole() -> None:
    log = Log(tuple(row(i).rsplit(",", 1)[0] for i in range(3)), header=Log().header.rsplit(",", 1)[0])
    answer = read(log.data)
    assert answer.file["status"] == "loaded"
    assert answer.minutes.height == 3


def test_a_packed_log_and_one_with_other_line_ends_and_a_byte_order_mark_read_the_same() -> None:
    plain = Log((row(0, trace="1 2"), row(1, alerts="E7"), row(2, tilt="x"))).data
    wanted = read(plain)
    for data in (
        gzip.compress(plain, mtime=0),
        gzip.compress(plain[:100], mtime=0) + gzip.compress(plain[100:], mtime=0),
        plain.replace(b"\n", b"\r\n"),
        b"\xef\xbb\xbf" + plain,
        plain.removesuffix(b"\n"),
        plain + b"\n\n",
    ):
        answer = read(data)
        assert answer.minutes.drop("file_sha256").equals(wanted.minutes.drop("file_sha256"))
        assert answer.traces.drop("file_sha256").equals(wanted.traces.drop("file_sha256"))
        assert faults(answer) == faults(wanted)


@pytest.mark.parametrize(
    ("end", "complete", "status"),
    [(None, None, "loaded"), ("# end: rows=3", True, "loaded"), ("# end: rows=1440", False, "partial")],
)
def test_the_end_line_tells_a_whole_file_from_a_cut_one(
    end: str | None, complete: bool | None, status: str
) -> None:
    answer = read(Log(end=end).data)
    assert (answer.file["complete"], answer.file["status"]) == (complete, status)
    assert answer.minutes.height == 3
    if complete is False:
        assert answer.file["reason"] == "Its end line promises 1440 rows and it has 3; export it again."
        assert faults(answer) == [(None, "file", None, "row_count_differs")]


def test_rejected_rows_count_towards_the_rows_an_end_line_promises() -> None:
    answer = read(Log((row(0), "half a row", row(2)), end="# end: rows=3").data)
    assert answer.file["complete"] is True
    assert (answer.file["rows_kept"], answer.file["rows_rejected"]) == (2, 1)


def test_rows_behind_the_end_line_make_a_file_incomplete_and_are_kept() -> None:
    answer = read(Log((row(0), "# end: rows=1", row(1))).data)
    assert answer.file["complete"] is False
    assert answer.minutes["line"].to_list() == [FIRST_ROW_LINE, FIRST_ROW_LINE + 2]


def test_the_files_own_site_goes_before_the_callers_and_the_callers_fills_a_gap() -> None:
    assert read(Log().data, site="elsewhere").file["site"] == "lakeside"
    assert read(Log().saying(site=None).data, site="elsewhere").minutes["site"].to_list() == ["elsewhere"] * 3


def test_readings_are_rounded_to_the_double_nearest_to_a_decimal() -> None:
    minute = only(pressure_mean="-19.799999", air_leak="0.04", tilt="-0.0", battery="99.96")
    assert minute["pressure_mean_cmh2o"] == -19.8
    assert minute["air_leak_ml_min"] == 0.0
    assert str(minute["tilt_deg"]) == "0.0"
    assert minute["battery_pct"] == 100.0


def test_blanks_around_a_value_are_no_fault_of_it() -> None:
    minute = only(
        session=" 17 ", state=" run", pressure_mean=" -19.8", mains=" 0 ", clock="2031-03-10T14:00 "
    )
    assert (minute["session"], minute["state"], minute["pressure_mean_cmh2o"], minute["mains"]) == (
        17,
        "run",
        -19.8,
        False,
    )


def test_columns_the_layout_does_not_know_are_left_alone() -> None:
    log = Log(tuple(row(i) + ",note" for i in range(3)), header=Log().header + ",remark")
    assert read(log.data).file["status"] == "loaded"


def test_reading_is_a_pure_function_and_names_do_not_matter_to_it() -> None:
    one, other = read(Log().data, "a.csv"), read(Log().data, "b.csv.gz")
    assert one.file == other.file
    assert one.minutes.equals(other.minutes)


def test_plausibility_comes_from_the_definitions() -> None:
    plausible = DEFINITIONS.plausible
    kept = only(air_leak=plausible.flow_most, pressure_min=plausible.pressure_least)
    assert kept["air_leak_ml_min"] == plausible.flow_most
    answer = read(Log((row(air_leak=plausible.flow_most + 1),)).data)
    assert faults(answer) == [(FIRST_ROW_LINE, "cell", "air_leak", "value_out_of_range")]


def test_values_stand_only_in_the_private_table() -> None:
    answer = read(Log((row(tilt="Doe9é"),)).data)
    assert answer.rejected["value_shape"].to_list() == ["aaa9a"]
    assert answer.rejected_values.select("line", "column", "value").rows() == [
        (FIRST_ROW_LINE, "tilt", "Doe9é")
    ]
