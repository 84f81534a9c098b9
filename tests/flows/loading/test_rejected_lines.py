"""What `check`, `load` and `rejected` say of rows, cells and columns that were not taken."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from flows.cli import DONE, SOME_REJECTED, run
from flows.show.broken import broken_lines
from tests.support.nights import export, registry

SCHEMA = {"line": pl.Int32, "scope": pl.String, "column": pl.String, "rule": pl.String, "value": pl.String}


def lines(*rows: tuple[int, str, str | None, str, str | None]) -> list[str]:
    return broken_lines(pl.DataFrame(rows, schema=SCHEMA, orient="row"))


def test_alike_cells_on_consecutive_lines_are_one_line_though_another_column_lies_between() -> None:
    rows = [(n, "cell", c, "value_unreadable", "---") for n in (4, 5, 6, 8) for c in ("air_leak", "tilt")]
    assert lines(*rows) == [
        "lines 4 to 6 (3 rows): air_leak value_unreadable: '---' (cells made null)",
        "lines 4 to 6 (3 rows): tilt value_unreadable: '---' (cells made null)",
        "line 8: air_leak value_unreadable: '---' (cell made null)",
        "line 8: tilt value_unreadable: '---' (cell made null)",
    ]


def test_cells_of_other_values_or_fates_stay_apart() -> None:
    assert lines(
        (4, "row", None, "cells_too_few", None),
        (5, "row", None, "cells_too_few", "a;b"),
        (6, "cell", "tilt", "value_unreadable", "a"),
        (7, "cell", "tilt", "value_unreadable", "b"),
    ) == [
        "line 4: cells_too_few (row rejected)",
        "line 5: cells_too_few: 'a;b' (row rejected)",
        "line 6: tilt value_unreadable: 'a' (cell made null)",
        "line 7: tilt value_unreadable: 'b' (cell made null)",
    ]


def test_a_time_without_offset_and_a_session_of_letters_are_explained() -> None:
    without, other, session = lines(
        (4, "cell", "tube_out_at", "value_unreadable", "2026-05-07 07:50"),
        (5, "cell", "tube_out_at", "value_unreadable", "noon"),
        (6, "row", "session", "value_unreadable", "ADM5"),
    )
    assert "it lacks its offset from UTC: a time is written as 2031-03-10T14:00+01:00" in without
    assert "offset" not in other
    assert "a time is written as" in other
    assert session.endswith("'ADM5' (row rejected; a session is a whole number)")


@pytest.fixture
def home(tmp_path: Path) -> list[str]:
    return ["--home", str(tmp_path / "home")]


def test_many_of_one_column_and_rule_are_one_line_though_their_values_differ() -> None:
    rows = [(n, "row", "clock", "clock_after_export", f"2087-01-17T13:{n:02}") for n in range(12, 42)]
    frame = pl.DataFrame([*rows, (50, "cell", "tilt", "value_unreadable", "a")], schema=SCHEMA, orient="row")
    joined, tilt = broken_lines(frame)
    assert joined == (
        "lines 12 to 41 (30 rows): clock clock_after_export: '2087-01-17T13:12', '2087-01-17T13:13', "
        "'2087-01-17T13:14' and 27 other values (rows rejected)"
    )
    assert tilt.startswith("line 50: tilt")
    assert len(broken_lines(frame, joined=False)) == 31


def test_rejected_joins_what_is_alike_and_shows_each_of_a_file_that_is_named(
    tmp_path: Path, home: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    header, *_ = (line for line in export().splitlines(keepends=True) if line.startswith("record,"))
    preamble, rows = export().split(header)
    row = next(iter(rows.splitlines())).split(",")
    many = [",".join(["", *row[1:3], f"state{n}", *row[4:]]) + "\n" for n in range(25)]
    kept = rows.splitlines(keepends=True)[0]
    (log := tmp_path / "many.csv").write_text(preamble + header + kept + "".join(many))
    assert run([*home, "load", str(log)]) == SOME_REJECTED
    capsys.readouterr()
    assert run([*home, "rejected"]) == DONE
    said = capsys.readouterr().out
    assert said.count("state_unknown") == 1
    assert "(25 rows): state state_unknown: 'state0', 'state1', 'state2' and 22 other values" in said
    digest = said.split("(")[1].split(")")[0]
    assert run([*home, "rejected", "--file", digest]) == DONE
    said = capsys.readouterr().out
    assert said.count("state_unknown") == 25
    assert "more; --file" not in said


def test_check_names_a_misspelt_column_of_a_registry_and_load_the_one_it_may_have_meant(
    tmp_path: Path, home: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    (paper := tmp_path / "registry.csv").write_text(registry().replace("tube_out_at", "tubeout_at"))
    assert run([*home, "check", str(paper)]) == SOME_REJECTED
    said = capsys.readouterr().out
    assert "did you mean tube_out_at?" in said
    assert "not read, for the layout does not have them: tubeout_at" in said
    assert run([*home, "load", str(paper)]) == SOME_REJECTED
    said = capsys.readouterr().out
    assert "did you mean tube_out_at?" in said
    assert "tubeout_at" not in said
    capsys.readouterr()
    assert run([*home, "rejected"]) == DONE
    assert (
        "header: column_unknown: 'tubeout_at' (not read; did you mean tube_out_at?)"
        in capsys.readouterr().out
    )
    assert run([*home, "sql", "FROM rejected_row", "--format", "csv"]) == DONE
    published = capsys.readouterr().out
    assert "column_unknown" in published
    assert "tubeout_at" not in published


def test_a_removal_before_the_insertion_is_no_rejection_and_load_says_what_became_of_it(
    tmp_path: Path, home: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    (paper := tmp_path / "registry.csv").write_text(registry(tube_out="2031-03-01T15:00:00+01:00"))
    assert run([*home, "load", str(paper)]) == DONE
    said = capsys.readouterr().out
    assert "1 tube_out_before_in" in said
    assert "Nothing was rejected for it; taken as not recorded: the tube's removal (1)." in said


def test_a_column_of_the_header_nobody_knows_is_said_before_the_rows_that_broke() -> None:
    rows = [
        (4, "row", "tube_in_at", "value_unreadable", "yesterday"),
        (None, "file", "colour", "column_unknown", "colour"),
    ]
    said = broken_lines(pl.DataFrame(rows, schema=SCHEMA, orient="row"))
    assert "colour" in said[0]
    assert said[1].startswith("line 4: tube_in_at")


def test_a_file_that_cannot_be_read_keeps_no_other_from_being_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shut, whole = tmp_path / "a.csv", tmp_path / "b.csv"
    shut.write_text("x")
    whole.write_text(registry())
    read = Path.read_bytes

    def refused(path: Path) -> bytes:
        if path == shut:
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refused)
    assert run(["check", str(tmp_path), "--home", str(tmp_path / "home")]) == SOME_REJECTED
    said = capsys.readouterr().out
    assert "cannot be read from disk (Permission denied)" in said
    assert "b.csv (registry)" in said
    assert "Nothing was written." in said
