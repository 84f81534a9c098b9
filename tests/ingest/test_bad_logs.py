"""Every way a log can be bad: one rule, one sentence, and nothing lost without a record."""

from __future__ import annotations

import gzip
import zlib

import pytest

from pipeline.ingest import read_log
from schemas.errors import CallError
from tests.ingest.drain_logs import (
    COLUMNS,
    DEFINITIONS,
    FIRST_ROW_LINE,
    HEADER,
    PROFILES,
    Log,
    faults,
    read,
    row,
)

BAD_CELLS = [
    ("record", "-1", "value_out_of_range"),
    ("record", "4.5", "value_unreadable"),
    ("set_pressure", "5", "value_out_of_range"),
    ("pressure_mean", "1e9", "value_out_of_range"),
    ("pressure_mean", "nan", "value_unreadable"),
    ("pressure_max", "inf", "value_unreadable"),
    ("air_leak", "-3", "value_out_of_range"),
    ("canister_volume", "99999", "value_out_of_range"),
    ("tilt", "181", "value_out_of_range"),
    ("battery", "101", "value_out_of_range"),
    ("battery", "full", "value_unreadable"),
    ("mains", "2", "value_unreadable"),
    ("alerts", "one two", "value_unreadable"),
    ("trace", "1 2 x", "trace_unreadable"),
    ("trace", "1 2 99999", "value_out_of_range"),
    ("trace", " ".join(["1"] * 601), "trace_too_long"),
]


@pytest.mark.parametrize(("column", "text", "rule"), BAD_CELLS)
def test_a_bad_optional_cell_costs_the_cell(column: str, text: str, rule: str) -> None:
    answer = read(Log((row(0), row(1, **{column: text}), row(2))).data)
    assert faults(answer) == [(FIRST_ROW_LINE + 1, "cell", column, rule)]
    assert answer.minutes.height == 3
    assert answer.file["status"] == "loaded"
    assert answer.rejected_values["value"].to_list() == [text]


BAD_ROWS = [
    ({"clock": ""}, "clock", "value_missing"),
    ({"clock": "2031-02-30T10:00"}, "clock", "clock_unreadable"),
    ({"clock": "10.03.2031 14:00"}, "clock", "clock_unreadable"),
    ({"clock": "1999-12-31T23:59"}, "clock", "clock_too_early"),
    ({"clock": "2031-03-16T14:00"}, "clock", "clock_after_export"),
    ({"session": ""}, "session", "value_missing"),
    ({"session": "x"}, "session", "value_unreadable"),
    ({"session": "-1"}, "session", "value_out_of_range"),
    ({"session": "99999999999999999999"}, "session", "value_unreadable"),
    ({"state": ""}, "state", "value_missing"),
    ({"state": "RUN"}, "state", "state_unknown"),
    ({"clock": "x", "session": "x", "state": "x", "tilt": "x"}, "clock", "clock_unreadable"),
]


@pytest.mark.parametrize(("cells", "column", "rule"), BAD_ROWS)
def test_a_bad_clock_session_or_state_costs_the_row(cells: dict[str, str], column: str, rule: str) -> None:
    answer = read(Log((row(0), row(1, **cells), row(2))).data)
    assert faults(answer) == [(FIRST_ROW_LINE + 1, "row", column, rule)]
    assert answer.minutes["line"].to_list() == [FIRST_ROW_LINE, FIRST_ROW_LINE + 2]
    assert answer.file["status"] == "partial"
    assert answer.file["reason"] == (
        f"1 of its 3 rows could not be kept (the first, line {FIRST_ROW_LINE + 1}: {rule}); see `rejected`."
    )


BAD_LINES = [
    (b"too,few", "cells_too_few"),
    (row(1).encode() + b",more", "cells_too_many"),
    (row(1, alerts='"open').encode(), "quote_unreadable"),
    (row(1, alerts='"shut"x').encode(), "quote_unreadable"),
    (row(1).encode().replace(b"run", b"r\xffn"), "bytes_unreadable"),
    (row(1).encode().replace(b"run", b"r\0n"), "bytes_unreadable"),
    (row(1, trace="1 " * 600_000).encode(), "line_too_long"),
]


@pytest.mark.parametrize(("line", "rule"), BAD_LINES)
def test_a_line_out_of_shape_costs_the_row_and_no_other(line: bytes, rule: str) -> None:
    rows = Log((row(0), "BAD", row(2), row(3, tilt="x"))).data
    answer = read(rows.replace(b"BAD", line))
    assert faults(answer) == [
        (FIRST_ROW_LINE + 1, "row", None, rule),
        (FIRST_ROW_LINE + 3, "cell", "tilt", "value_unreadable"),
    ]
    assert answer.minutes["line"].to_list() == [FIRST_ROW_LINE, FIRST_ROW_LINE + 2, FIRST_ROW_LINE + 3]


def test_a_line_end_inside_quotes_spoils_two_rows_and_keeps_the_count_of_lines() -> None:
    answer = read(Log((row(0), row(1, alerts='"E7\nE8"'), row(2))).data)
    assert [(line, rule) for line, _, _, rule in faults(answer)] == [
        (FIRST_ROW_LINE + 1, "quote_unreadable"),
        (FIRST_ROW_LINE + 2, "cells_too_few"),
    ]
    assert answer.minutes["line"].to_list() == [FIRST_ROW_LINE, FIRST_ROW_LINE + 3]


def test_quoted_cells_read_as_if_they_were_not() -> None:
    plain = Log((row(0, alerts="E7"), row(1)))
    quoted = Log(tuple(",".join(f'"{cell}"' for cell in text.split(",")) for text in plain.rows))
    assert read(quoted.data).minutes.drop("file_sha256").equals(read(plain.data).minutes.drop("file_sha256"))


def test_blank_lines_and_remarks_are_no_rows_but_lines() -> None:
    answer = read(Log((row(0), "", "   ", "# a remark", row(1))).data)
    assert answer.minutes["line"].to_list() == [FIRST_ROW_LINE, FIRST_ROW_LINE + 4]
    assert answer.file["rows_read"] == 2


@pytest.mark.parametrize(
    ("cells", "lost"),
    [
        ({"pressure_mean": -25}, {"pressure_mean", "pressure_min"}),
        ({"pressure_mean": -10}, {"pressure_mean", "pressure_max"}),
        ({"pressure_min": -17, "pressure_max": -18, "pressure_mean": ""}, {"pressure_min", "pressure_max"}),
        ({"pressure_mean": -22.5}, set()),  # rounding of three columns, each its own way
    ],
)
def test_pressures_of_a_minute_that_contradict_each_other_are_unknown(
    cells: dict[str, object], lost: set[str]
) -> None:
    answer = read(Log((row(0, **cells), row(1))).data)
    assert {(column, rule) for _, _, column, rule in faults(answer)} == {
        (name, "values_contradict") for name in lost
    }
    minute = answer.minutes.row(0, named=True)
    assert {
        name for name in ("pressure_min", "pressure_mean", "pressure_max") if minute[f"{name}_cmh2o"] is None
    } == (lost | {name for name, value in cells.items() if value == ""})
    assert answer.minutes.row(1, named=True)["pressure_min_cmh2o"] == -22.4


@pytest.mark.parametrize(
    "settings",
    [None, "", "rate_hz=0 factor=1 origin=0 unit=mbar", "rate_hz=10 factor=1 origin=0 unit=mL", "rate_hz=x"],
)
def test_traces_without_usable_settings_are_lost_one_by_one_and_the_minutes_stand(
    settings: str | None,
) -> None:
    answer = read(Log((row(0, trace="1 2"), row(1), row(2, trace="3"))).saying(trace=settings).data)
    assert faults(answer) == [
        (line, "cell", "trace", "trace_settings_missing")
        for line in (FIRST_ROW_LINE - (settings is None), FIRST_ROW_LINE + 2 - (settings is None))
    ]
    assert answer.minutes.height == 3
    assert answer.traces.height == 0


LOG = Log()
KNOWN = ", ".join(sorted(profile.name for profile in PROFILES))
BAD_FILES = [
    (b"", "file_empty", "The file is empty; export it again."),
    (gzip.compress(b"", mtime=0), "file_empty", "The file is empty inside its gzip; export it again."),
    (b"\x1f\x8b", "gzip_cut_off", "The gzip file breaks off before its first line; copy it again."),
    (b"PK\x03\x04\x14\x00", "no_profile", "It is a ZIP archive or a spreadsheet and no text"),
    (b"%PDF-1.7", "no_profile", "It is a PDF and no text"),
    (b"\x00\x01\x02", "no_profile", f"No profile matches its first lines (known: {KNOWN})"),
    (LOG.saying(**{"drain-log": "2"}).data, "no_profile", "No profile matches its first lines"),
    (b"# drain-log: 1\n", "header_missing", "It has no line of column names where profile 'v1' expects one."),
    (
        LOG.saying(device=None).data,
        "preamble_missing",
        "No device serial stands in its preamble; add the line, or have the profile's [device] line fit",
    ),
    (LOG.saying(device="../etc").data, "device_unreadable", "The device serial in its preamble is not"),
    (LOG.saying(device="DV'42").data, "device_unreadable", "The device serial in its preamble is not"),
    (LOG.saying(site="Lake Side").data, "site_unreadable", "The site in its preamble is not"),
    (LOG.saying(site="../x").data, "site_unreadable", "The site in its preamble is not"),
    (
        LOG.saying(site=None).data,
        "site_missing",
        "Neither the file nor its profile names a site; name one with --site.",
    ),
    (
        LOG.saying(timezone=None).data,
        "preamble_missing",
        "Its preamble does not say the timezone; add the line.",
    ),
    (
        LOG.saying(timezone="Europe/Atlantis").data,
        "timezone_unknown",
        "The timezone in its preamble is not an IANA name",
    ),
    (
        LOG.saying(timezone="../../etc/passwd").data,
        "timezone_unknown",
        "The timezone in its preamble is not an IANA name",
    ),
    (
        LOG.saying(exported_at=None).data,
        "preamble_missing",
        "No date of export stands in its preamble; add it.",
    ),
    (
        LOG.saying(exported_at="2031-03-14T06:00:00").data,
        "exported_at_unreadable",
        "The date of export in its preamble",
    ),
    (
        LOG.saying(exported_at="2031-02-30T06:00:00Z").data,
        "exported_at_unreadable",
        "The date of export in its preamble",
    ),
    (
        LOG.saying(exported_at="1031-02-03T06:00:00Z").data,
        "exported_at_unreadable",
        "The date of export in its preamble",
    ),
    (
        Log(header=HEADER.replace("air_leak", "airleak")).data,
        "column_missing",
        'profile \'v1\': column "air_leak" is not in the file; it has "airleak".',
    ),
    (
        Log(header=HEADER.replace("tilt", "battery")).data,
        "column_missing",
        "profile 'v1': column \"tilt\" is not in the file",
    ),
    (
        Log(tuple(row(i) + ",1" for i in range(3)), header=HEADER + ",tilt").data,
        "column_twice",
        "profile 'v1': column \"tilt\" is in the header 2 times; keep one.",
    ),
    (
        b"# device: DV-1\n" + LOG.data,
        "preamble_contradicts",
        "Its preamble says device twice and differently; keep one.",
    ),
    (LOG.data + LOG.saying(device="DV-7").data, "second_preamble", "A second preamble begins in line 12"),
    (Log(()).data, "no_rows", "It holds no rows; export it again."),
    (
        Log(("x", "y")).data,
        "no_row_kept",
        "2 of its 2 rows could not be kept (the first, line 8: cells_too_few)",
    ),
    (
        gzip.compress(LOG.data, mtime=0)[:-8] + b"\0" * 8,
        "gzip_damaged",
        "The gzip file is damaged, so none of it can be trusted",
    ),
    (gzip.compress(LOG.data, mtime=0)[:40] + b"\xff" * 40, "gzip_damaged", "The gzip file is damaged"),
]


@pytest.mark.parametrize(("data", "rule", "sentence"), BAD_FILES)
def test_a_file_that_cannot_be_read_is_rejected_with_one_sentence(
    data: bytes, rule: str, sentence: str
) -> None:
    answer = read(data, "SURNAME_Firstname.csv")
    assert answer.file["status"] == "rejected"
    assert answer.file["reason"].startswith(sentence)
    assert answer.file["reason"].endswith(".")
    assert "SURNAME" not in answer.file["reason"]
    assert [rule_ for _, scope, _, rule_ in faults(answer) if scope == "file"] == [rule]
    assert answer.minutes.height == answer.traces.height == 0


def test_an_empty_log_that_says_it_is_empty_is_whole() -> None:
    answer = read(Log((), end="# end: rows=0").data)
    assert (answer.file["status"], answer.file["complete"], answer.file["rows_read"]) == ("loaded", True, 0)


def test_a_packed_file_that_breaks_off_keeps_the_whole_lines_before_the_break() -> None:
    lines = Log(tuple(row(i) for i in range(200)))
    packer = zlib.compressobj(wbits=31)
    # Flushed in the middle of a row, so that the break has a known place in the text.
    data = packer.compress(lines.data[: lines.data.index(row(150).encode()) + 40]) + packer.flush(
        zlib.Z_SYNC_FLUSH
    )
    answer = read(data)
    assert answer.minutes.height == 150
    assert faults(answer) == [
        (None, "file", None, "gzip_cut_off"),
        (FIRST_ROW_LINE + 150, "row", None, "line_cut_off"),
    ]
    assert (answer.file["status"], answer.file["complete"]) == ("partial", False)
    assert answer.file["reason"].endswith("The gzip file breaks off before its end; copy it again.")


def test_a_bomb_is_stopped_at_the_limit_with_a_reason() -> None:
    small = DEFINITIONS.model_copy(
        update={"plausible": DEFINITIONS.plausible.model_copy(update={"file_most": 1 << 20})}
    )
    bomb = gzip.compress(b"# drain-log: 1\n" + b"0" * (1 << 24), mtime=0)
    assert len(bomb) < 1 << 15
    answer = read_log(bomb, "x.gz", PROFILES, small)
    assert answer.file["reason"] == (
        "The log is larger than 1 MiB unpacked; split it, or raise plausible.file_most."
    )
    assert answer.rejected["rule"].to_list() == ["file_too_large"]
    assert read_log(b"# drain-log: 1\n" + b"0" * (1 << 21), "x", PROFILES, small).rejected[
        "rule"
    ].to_list() == ["file_too_large"]


def test_a_call_for_a_profile_or_a_site_that_cannot_be_is_the_callers_error() -> None:
    with pytest.raises(CallError, match=r"There is no profile 'nroth'; did you mean 'north'"):
        read_log(LOG.data, "x", PROFILES, DEFINITIONS, profile="nroth")
    with pytest.raises(CallError, match="A site's name is"):
        read_log(LOG.data, "x", PROFILES, DEFINITIONS, site="a b")


def test_every_column_but_the_trace_must_be_in_the_header() -> None:
    for name in COLUMNS[:-1]:
        answer = read(
            Log(
                header=HEADER.replace(f"{name},", f"not_{name},", 1)
                if name != "record"
                else "rec" + HEADER[6:]
            ).data
        )
        assert answer.rejected["rule"].to_list() == ["column_missing"]
        assert answer.rejected["column"].to_list() == [name]


def test_a_date_of_export_at_the_calendars_end_is_no_stumbling_block() -> None:
    answer = read(LOG.saying(exported_at="9999-12-31T23:59:00Z").data)
    assert answer.file["status"] == "loaded"
    assert read(LOG.saying(exported_at="9999-12-31T23:59:00-14:00").data).rejected["rule"].to_list() == [
        "exported_at_unreadable"
    ]


@pytest.mark.parametrize("trace", ["1e39 2", "1e400 2 U"])
def test_a_number_too_great_for_a_sample_is_not_taken_for_saturation(trace: str) -> None:
    answer = read(Log((row(0, trace=trace),)).data)
    assert faults(answer) == [(FIRST_ROW_LINE, "cell", "trace", "value_out_of_range")]
