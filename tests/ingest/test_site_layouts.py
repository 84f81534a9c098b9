"""The worked profiles read their sites' layouts into our units, signs and words."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from pipeline.ingest import parse_profile, read_log
from tests.ingest.drain_logs import DATA, DEFINITIONS, PROFILES, faults, read

SHOWN = [
    "line", "device", "session", "record", "clock", "state",
    "set_pressure_cmh2o", "pressure_mean_cmh2o", "pressure_min_cmh2o", "pressure_max_cmh2o",
    "air_leak_ml_min", "canister_volume_ml", "tilt_deg", "battery_pct", "mains", "alerts",
]  # fmt: skip


def at(month: int, day: int, hour: int, minute: int) -> datetime:
    return datetime(2031, month, day, hour, minute)


# Pressures by hand: 1 kPa = 10.19716, 1 mmHg = 1.35951, 1 mbar = 1.019716 cm[H2O].
NORTH = [
    (4, "NK-0103", 17, 48211, at(3, 10, 14, 0), "run", -20.0, -19.8, -22.4, -17.6, 140.0, 35.0, 1.2, 88.0, True, []),
    (5, "NK-0103", 17, 48212, at(3, 10, 14, 1), "pause", -20.0, None, -0.12, 0.08, 0.0, 35.0, 18.4, 87.0, False,
     ["canister_full", "other:Ä9", "pause_long"]),
    (6, "NK-0103", 17, 48213, at(3, 10, 14, 2), "check", None, -19.8, -19.82, -19.78, None, None, None, None, None, None),
]  # fmt: skip
HARBOUR = [
    (2, "HB.7", 4, 901, at(7, 1, 23, 58), "run", -20.39, -20.12, -23.52, -16.45, 140.0, 35.0, None, 91.0, False,
     ["battery_low", "other:E12"]),
    (3, "HB.7", 4, 902, at(7, 1, 23, 59), "pause", -20.39, None, -0.27, None, 0.0, 35.0, None, 90.0, True, []),
    (4, "HB.9", 1, 12, at(7, 1, 22, 10), "check", -20.39, -20.12, -20.26, -20.12, 0.0, None, None, 100.0, True, None),
]  # fmt: skip
UPLAND = [
    (5, "UP-3", 2, None, at(4, 2, 9, 15), "run", -20.39, -19.88, -22.43, -17.85, 60.0, 120.0, 2.0, None, True,
     ["canister_full", "other:X-1"]),
    (6, "UP-3", 2, None, at(4, 2, 9, 16), "run", -20.39, -19.88, -22.43, -17.85, 60.0, 120.0, 2.0, None, True, None),
    (7, "UP-3", 2, None, at(4, 2, 9, 17), "pause", -20.39, 0.0, 0.0, 0.0, 0.0, 121.0, None, None, True, []),
]  # fmt: skip

SITES = [
    (
        "north_NK-0103_20310312.csv",
        NORTH,
        "Europe/Helsinki",
        True,
        datetime(2031, 3, 12, 4, tzinfo=UTC),
        None,
    ),
    ("harbour.csv", HARBOUR, "America/Halifax", False, datetime(2031, 7, 2, 3, 5, tzinfo=UTC), None),
    ("upland_20310402T040000.tsv", UPLAND, "Asia/Kathmandu", True, datetime(2031, 4, 2, 4, tzinfo=UTC), True),
]


@pytest.mark.parametrize(("name", "rows", "zone", "follows_dst", "exported_at", "complete"), SITES)
def test_a_sites_file_is_recognised_and_read(
    name: str,
    rows: list[tuple[object, ...]],
    zone: str,
    follows_dst: bool,
    exported_at: datetime,
    complete: bool | None,
) -> None:
    answer = read((DATA / name).read_bytes(), name)
    assert answer.minutes.select(SHOWN).rows() == rows
    assert faults(answer) == []
    file = answer.file
    assert file["profile"] == file["site"] == name.split("_")[0].removesuffix(".csv")
    assert (file["timezone"], file["clock_follows_dst"], file["exported_at"]) == (
        zone,
        follows_dst,
        exported_at,
    )
    assert (file["complete"], file["status"]) == (complete, "loaded")


def test_a_file_of_several_drains_names_them_all() -> None:
    assert read((DATA / "harbour.csv").read_bytes()).file["device"] == "HB.7;HB.9"


def test_a_sites_traces_become_centimetres_of_water() -> None:
    name = "upland_20310402T040000.tsv"
    traces = read((DATA / name).read_bytes(), name).traces
    assert traces.select("line", "rate_hz").rows() == [(5, 12.5)]
    samples = traces["samples_cmh2o"].to_list()[0]
    # -30 mbar + 0.05 mbar × 200 = -20 mbar.
    assert samples[0] == pytest.approx(-20 * 1.0197162, abs=1e-4)
    assert str(samples[4:]) == "[inf, -inf]"


def test_strengths_of_suction_change_sign_for_samples_above_and_below_range_too() -> None:
    upland = next(profile for profile in PROFILES if profile.name == "upland")
    strengths = parse_profile(upland.text + '\n[suction]\nordered = "positive"\nmeasured = "positive"\n')
    data = (DATA / "upland_20310402T040000.tsv").read_bytes()
    data = data.replace(b"\t-20\t-19.5\t-22\t-17.5\t", b"\t20\t19.5\t17.5\t22\t").replace(
        b"\t-20\t", b"\t20\t"
    )
    answer = read_log(data, "x_20310402T040000.tsv", [strengths], DEFINITIONS)
    wanted = read_log(
        (DATA / "upland_20310402T040000.tsv").read_bytes(), "x_20310402T040000.tsv", [upland], DEFINITIONS
    )
    assert answer.minutes.drop("file_sha256").equals(wanted.minutes.drop("file_sha256"))
    assert str(answer.traces["samples_cmh2o"].to_list()[0][4:]) == "[-inf, inf]"


NORTH_NAME = "north_NK-0103_20310312.csv"


def north(old: str = "", new: str = "") -> bytes:
    text = (DATA / NORTH_NAME).read_bytes().decode("cp1252")
    assert old in text
    return text.replace(old, new).encode("cp1252")


@pytest.mark.parametrize(
    "name", ["other.csv", "north_../../x_20310312.csv", "north_a'b_20310312.csv", "north__20310312.csv"]
)
def test_a_file_name_without_a_device_in_it_rejects_the_file(name: str) -> None:
    answer = read(north(), name)
    assert answer.file["status"] == "rejected"
    assert (
        answer.file["reason"] == "No device serial stands in its file name; name it as the profile expects."
    )


def test_a_packed_file_is_known_by_its_name_without_the_ending() -> None:
    assert read(north(), NORTH_NAME + ".gz").file["device"] == "NK-0103"


def test_a_renamed_column_rejects_the_file_and_names_the_nearest() -> None:
    answer = read(north("Leak (L/min)", "Leak [L/min]"), NORTH_NAME)
    assert answer.file["reason"] == (
        'profile \'north\': column "Leak (L/min)" is not in the file; it has "Leak [L/min]". '
        "Export it with that column, or edit the profile's [columns]."
    )


def test_with_a_decimal_comma_a_point_is_no_part_of_a_number() -> None:
    answer = read(north("-2,197", "-2.197"), NORTH_NAME)
    assert faults(answer) == [(4, "cell", "pressure_min", "value_unreadable")]


def test_a_strength_that_is_negative_is_out_of_range() -> None:
    answer = read(north(";on;1,961", ";on;-1,961"), NORTH_NAME)
    assert faults(answer) == [(4, "cell", "set_pressure", "value_out_of_range")]


def test_a_named_profile_is_used_though_another_would_match() -> None:
    answer = read(north(), NORTH_NAME, profile="harbour")
    assert answer.file["profile"] == "harbour"
    assert answer.rejected["rule"].to_list() == ["column_missing"]


def test_a_file_that_matches_two_profiles_is_rejected_with_their_names() -> None:
    twin = next(p for p in PROFILES if p.name == "north").model_copy(update={"name": "twin"})
    answer = read_log(north(), NORTH_NAME, [*PROFILES, twin], DEFINITIONS)
    assert (
        answer.file["reason"]
        == "Several profiles match its first lines (north, twin); name one with --profile."
    )
    assert answer.profile_text is None


def test_without_a_date_of_export_the_last_minute_stands_for_it() -> None:
    text = next(p for p in PROFILES if p.name == "north").text
    start, stop = text.index("\n[exported_at]"), text.index("\n[clock]")
    answer = read_log(north(), NORTH_NAME, [parse_profile(text[:start] + text[stop:])], DEFINITIONS)
    assert answer.file["exported_at"] == datetime(2031, 3, 10, 12, 2, tzinfo=UTC)


def test_two_logs_in_one_file_are_not_filed_under_one_device() -> None:
    answer = read(north() + north(), NORTH_NAME)
    assert answer.file["status"] == "rejected"
    assert (
        answer.file["reason"]
        == "A second header stands in line 9, so these are two logs; split the file there."
    )


def test_a_bad_date_of_export_in_a_column_costs_that_cell() -> None:
    data = (
        (DATA / "harbour.csv").read_bytes().replace(b"HB.9,2031-07-02 03:05:00", b"HB.9,2031-07-02 25:05:00")
    )
    answer = read(data)
    assert faults(answer) == [(4, "cell", "exported_at", "exported_at_unreadable")]
    assert answer.file["exported_at"] == datetime(2031, 7, 2, 3, 0, tzinfo=UTC)


def test_a_layout_in_two_byte_characters_reads_like_any_other() -> None:
    text = next(p for p in PROFILES if p.name == "north").text
    wide = parse_profile(text.replace("windows-1252", "utf-16"))
    data = north().decode("cp1252").encode("utf-16")
    answer = read_log(data, NORTH_NAME, [wide], DEFINITIONS)
    assert answer.minutes.select(SHOWN).rows() == NORTH


def test_a_layout_without_session_and_state_says_them_once_for_all_its_rows() -> None:
    text = next(profile for profile in PROFILES if profile.name == "north").text
    for line in ('session = "Use"\n', 'state = "Mode"\n', 'set_pressure = "Ordered (kPa)"\n'):
        assert line in text
        text = text.replace(line, "")
    text += '\n[constants]\nsession = 3\nstate = "run"\nset_pressure = -15\n'
    minutes = read_log(north(), NORTH_NAME, [parse_profile(text)], DEFINITIONS).minutes
    assert minutes.select("session", "state", "set_pressure_cmh2o").unique().rows() == [(3, "run", -15.0)]


def test_readings_are_rounded_to_whatever_resolution_the_definitions_say() -> None:
    coarse = DEFINITIONS.model_copy(
        update={"resolution": DEFINITIONS.resolution.model_copy(update={"pressure": 0.25, "flow": 50.0})}
    )
    minute = read_log(north(), NORTH_NAME, PROFILES, coarse).minutes.row(0, named=True)
    assert (minute["pressure_mean_cmh2o"], minute["pressure_min_cmh2o"]) == (-19.75, -22.5)
    assert minute["air_leak_ml_min"] == 150.0


def test_an_end_line_that_says_no_number_is_a_remark_like_any_other() -> None:
    name = "upland_20310402T040000.tsv"
    loose = parse_profile(
        next(p for p in PROFILES if p.name == "upland").text.replace(r"(?P<rows>\d+)", "(?P<rows>.*)")
    )
    answer = read_log((DATA / name).read_bytes().replace(b"rows 3", b"rows many"), name, [loose], DEFINITIONS)
    assert (answer.file["complete"], answer.file["rows_kept"]) == (None, 3)


def test_of_a_serial_with_a_blank_the_profile_picks_a_part_that_is_one() -> None:
    text = next(p for p in PROFILES if p.name == "north").text
    named = next(line for line in text.splitlines() if line.startswith("file_name = "))
    text = text.replace("skip_lines = 2", "skip_lines = 3")
    log = north().replace(b"\n", b"\nunit,B 22,x\n", 1)

    def with_line(line: str) -> dict[str, object]:
        profile = parse_profile(text.replace(named, f"line = '{line}'"))
        return read_log(log, NORTH_NAME, [profile], DEFINITIONS).file

    assert with_line("^unit,B (?P<device>[0-9]+)(?:,|$)")["device"] == "22"
    whole = with_line("^unit,(?P<device>[^,]*)")
    assert whole["status"] == "rejected"
    assert "have the pattern in the profile's [device] pick a part of it" in str(whole["reason"])
