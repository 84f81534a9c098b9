"""Registry and annotation files: what is read, and what is recorded when it cannot be."""

from __future__ import annotations

import random

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cohort import kind_of, read_annotations, read_registry, standing
from schemas.lake import LOAD_FILE, REJECTED_ROW, REJECTED_VALUE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN

HEAD = "# drain-registry: 1\n# exported_at: 2031-03-14T06:00:00+01:00\n"
COLUMNS = (
    "drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,device,side,tube_french,removal_reason\n"
)
GOOD = "d1,p1,lakeside,thoracic,2031-03-10T14:00:00+01:00,2031-03-13T09:30:00Z,DV-42/17;DV-51/3,,left,24,planned\n"


def read(rows: str, head: str = HEAD, columns: str = COLUMNS):
    return read_registry((head + columns + rows).encode())


def test_a_good_row_is_read_into_the_contract() -> None:
    got = read(GOOD)
    row = REGISTRY_DRAIN.validate(got.rows).row(0, named=True)
    assert row["tube_in_at"].isoformat() == "2031-03-10T13:00:00+00:00"
    assert row["uses"] == ["DV-42/17", "DV-51/3"]
    assert row["devices"] is None
    assert row["exported_at"].isoformat() == "2031-03-14T05:00:00+00:00"
    assert got.file["status"] == "loaded"
    assert set(got.file) == set(LOAD_FILE.names) - {"loaded_at"}


def test_byte_order_mark_crlf_and_semicolons_are_fine() -> None:
    text = (HEAD + COLUMNS.replace(",", ";")).replace("\n", "\r\n")
    row = 'd1;p1;lakeside;thoracic;2031-03-10T14:00:00Z;;"DV-42/17;DV-51/3";;right;;\r\n'
    got = read_registry(b"\xef\xbb\xbf" + (text + row).encode())
    assert got.rows["uses"].to_list() == [["DV-42/17", "DV-51/3"]]
    assert got.file["status"] == "loaded"


@pytest.mark.parametrize(
    ("column", "value", "rule"),
    [
        ("tube_french", "wide", "value_unreadable"),
        ("tube_french", "600", "value_out_of_range"),
        ("side", "middle", "value_unreadable"),
        ("removal_reason", "fell out", "value_unreadable"),
        ("tube_out_at", "2031-03-13T09:30:00", "value_unreadable"),
        ("tube_out_at", "2031-02-30T09:30:00Z", "value_unreadable"),
        ("uses", "DV-42/17;DV 51", "value_unreadable"),
    ],
)
def test_a_bad_optional_cell_becomes_null_with_a_record(column: str, value: str, rule: str) -> None:
    cells = dict(zip(COLUMNS.strip().split(","), GOOD.strip().split(","), strict=True)) | {column: value}
    got = read(",".join(cells.values()) + "\n")
    assert got.rows[column].to_list() == [None]
    record = got.rejected.row(0, named=True)
    assert (record["line"], record["scope"], record["column"], record["rule"]) == (4, "cell", column, rule)
    assert got.rejected_values["value"].to_list() == [value]
    assert (got.file["status"], got.file["cells_rejected"]) == ("partial", 1)


@pytest.mark.parametrize("column", ["drain_key", "patient_key", "site", "unit", "tube_in_at"])
def test_a_missing_needed_cell_costs_its_row_only(column: str) -> None:
    cells = dict(zip(COLUMNS.strip().split(","), GOOD.strip().split(","), strict=True))
    bad = ",".join((cells | {column: " ", "drain_key": "" if column == "drain_key" else "d2"}).values())
    got = read(GOOD + bad + "\n")
    assert got.rows["drain_key"].to_list() == ["d1"]
    assert got.rejected.select("line", "scope", "column", "rule").rows() == [
        (5, "row", column, "value_missing")
    ]


def test_a_row_of_the_wrong_shape_is_rejected_with_its_line() -> None:
    got = read("d0,p0,lakeside\n" + GOOD)
    assert got.rejected.select("line", "rule", "value_shape").rows() == [
        (4, "cells_too_few", "a9,a9,aaaaaaaa")
    ]
    assert got.rows.height == 1


def test_a_stray_quotation_mark_costs_its_own_line_only() -> None:
    got = read('"d0" x,p0,lakeside,a,b,c,d,e,f,g,h\n' + GOOD)
    assert got.rows["drain_key"].to_list() == ["d1"]
    assert got.rejected.select("line", "rule").rows() == [(4, "quote_unreadable")]


def test_a_key_twice_in_one_file_keeps_its_last_row_and_records_the_other() -> None:
    got = read(GOOD + GOOD.replace("left", "right"))
    assert got.rows["side"].to_list() == ["right"]
    assert got.rejected.select("line", "rule").rows() == [(4, "key_twice")]


def test_of_a_key_twice_it_is_said_which_line_stands_and_what_differs() -> None:
    moved = GOOD.replace("left", "right").replace("DV-42/17;DV-51/3,,", ",DV-42,")
    reason = read(GOOD + GOOD.replace("d1", "d2") + moved).file["reason"]
    assert "line 4 has the key of line 6, which was kept; they differ in uses, device, side" in reason
    assert not [value for value in ("d1", "right", "DV-42") if value in reason]
    assert "they are the same" in read(GOOD + GOOD).file["reason"]
    many = read(GOOD * 9).file["reason"]
    assert "line 8 has" in many
    assert "3 more keys come again likewise" in many


def test_a_row_against_itself_is_told_by_line_and_kept() -> None:
    columns = COLUMNS.replace("\n", ",procedure_end_at\n")
    out_first = GOOD.replace("03-13T09:30", "03-09T09:30").replace("\n", ",\n")
    late = GOOD.replace("d1", "d2").replace("\n", ",2031-03-14T09:30:00Z\n")
    got = read(out_first + late + GOOD.replace("d1", "d3").replace("\n", ",\n"), columns=columns)
    assert got.rows.height == 3
    assert got.contradictions.select("line", "finding").rows() == [
        (4, "tube_out_before_in"),
        (5, "procedure_end_after_out"),
    ]


def test_one_cell_and_several_that_cannot_be_read_are_counted_in_words() -> None:
    bad = GOOD.replace("03-13T09:30:00Z", "03-13 09:30")
    assert bad != GOOD
    assert "1 cell could not be read and is empty" in read(bad).file["reason"]
    assert "2 cells could not be read and are empty" in read(bad + bad.replace("d1", "d2")).file["reason"]


def test_an_unknown_column_is_told_but_not_by_a_name_that_may_be_a_patients_cell() -> None:
    place = COLUMNS.count(",") + 2
    got = read(GOOD.replace("\n", ",x\n"), columns=COLUMNS.replace("\n", ",procedur\n"))
    assert got.rows.height == 1
    assert got.file["status"] == "partial"
    assert got.ignored == ("procedur",)
    assert got.rejected.select("line", "scope", "column", "rule").rows() == [
        (None, "file", "procedure", "column_unknown")
    ]
    assert got.rejected_values["value"].to_list() == ["procedur"]
    assert got.file["reason"] == (
        f"1 column of the header is not of the layout and was not read (no. {place}, did you mean procedure?)."
    )
    names = ["Anna Invented", *(f"q{number}" for number in range(7))]
    header = COLUMNS.replace("\n", "," + ",".join(names) + "\n")
    got = read(GOOD.replace("\n", ",x" * len(names) + "\n"), columns=header)
    assert "8 columns of the header are not of the layout and were not read" in got.file["reason"]
    assert f"(no. {place}; no. {place + 1}; " in got.file["reason"]
    assert got.file["reason"].endswith("; and 2 more).")
    assert "Anna" not in got.file["reason"]
    assert got.ignored == tuple(names)
    assert got.rejected.select("column", "rule").rows() == [(None, "column_unknown")]
    assert got.rejected_values["value"].to_list() == [", ".join(names)]


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "drain-registry"),
        (b"\xff\xfe\x00", "UTF-8"),
        (b"# drain-registry: 2\n", "Version '2'"),
        (b"# drain-registry: 1\ndrain_key\n", "exported_at"),
        (b"# drain-registry: 1\n# exported_at: 2031-13-14T06:00:00Z\n", "does not exist"),
        (b"# drain-registry: 1\n# exported_at: 0001-01-01T00:00:00+14:00\n", "does not exist"),
        (HEAD.encode() + b"drain_key,site\n", '"patient_key"'),
        ((HEAD + COLUMNS.replace("\n", ",side\n")).encode(), "more than once"),
    ],
)
def test_an_unreadable_file_is_rejected_with_one_sentence(data: bytes, word: str) -> None:
    got = read_registry(data)
    assert got.file["status"] == "rejected"
    assert word in got.file["reason"]
    assert got.file["reason"].count(". ") == 0
    assert got.rows.is_empty()
    assert got.rejected["scope"].to_list() == ["file"]


CSV_LIKE = st.text(alphabet='",;\n\r#:/dD1-TZ. ', max_size=300).map(str.encode)


@settings(deadline=None)
@given(st.binary(max_size=400) | CSV_LIKE, st.booleans())
def test_nothing_that_can_be_in_a_file_raises(noise: bytes, behind_a_good_head: bool) -> None:
    data = (HEAD + COLUMNS).encode() + noise if behind_a_good_head else noise
    for got, table in ((read_registry(data), REGISTRY_DRAIN), (read_annotations(data), ANNOTATION)):
        table.validate(got.rows)
        REJECTED_ROW.validate(got.rejected)
        REJECTED_VALUE.validate(got.rejected_values)
        assert got.file["rows_read"] == got.file["rows_kept"] + got.file["rows_rejected"]
        lost = got.rejected.filter(pl.col("scope") == "row")["line"].n_unique()
        assert lost == got.file["rows_rejected"]


def test_annotations_are_read_with_line_breaks_in_notes() -> None:
    text = (
        "# drain-annotations: 1\n# exported_at: 2031-03-14T06:00:00Z\n"
        "drain_key,site,started_at,ended_at,kind,author_role,note\n"
        'd1,lakeside,2031-03-11T08:00:00Z,2031-03-11T08:30:00Z,clamp_trial,nurse,"well\ntolerated"\n'
        "d1,lakeside,2031-03-11T08:00:00Z,,guess,nurse,\n"
    )
    got = read_annotations(text.encode())
    assert ANNOTATION.validate(got.rows)["note"].to_list() == ["well\ntolerated"]
    assert got.rejected.select("line", "column", "rule").rows() == [(6, "kind", "value_unreadable")]
    assert kind_of(text.encode()) is not None


def test_an_annotation_that_ends_before_it_starts_has_no_known_end() -> None:
    text = (
        "# drain-annotations: 1\n# exported_at: 2031-03-14T06:00:00Z\ndrain_key,site,started_at,ended_at,kind\n"
        "d1,lakeside,2031-03-11T08:00:00Z,2031-03-11T07:30:00Z,clamp_trial\n"
    )
    got = read_annotations(text.encode())
    assert got.rows["ended_at"].to_list() == [None]
    assert got.rejected.select("column", "rule").rows() == [("ended_at", "values_contradict")]


def test_the_corrected_row_stands_whatever_the_order(registry_of, drain) -> None:
    rows = [
        drain(exported_at=1, unit="old"),
        drain(exported_at=5, unit="new", file_sha256="c" * 64),
        drain(exported_at=5, unit="same time, lesser digest", file_sha256="b" * 64),
        drain("d2", exported_at=2),
    ]
    for seed in range(6):
        shuffled = random.Random(seed).sample(rows, len(rows))
        assert standing(registry_of(*shuffled)).select("drain_key", "unit").rows() == [
            ("d1", "new"),
            ("d2", "thoracic"),
        ]
