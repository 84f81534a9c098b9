"""What stands above, below and beside an unknown export's rows: in the draft, asked for, or doubted; never cut."""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows.cli import WRONG_CALL, run
from flows.loading.doubts import doubts
from pipeline.definitions import load_definitions
from pipeline.ingest import read_log
from pipeline.ingest.pattern import every, holds
from pipeline.ingest.recognise import first_lines
from pipeline.ingest.shelf import parse_profile
from pipeline.ingest.suggest import Suggestion, suggest
from tests.support.nights import export


def above(*lines: str, file_name: str = "log.csv") -> tuple[Suggestion, dict[str, Any]]:
    """What is drafted for a plain table under these lines."""
    rows = [f"2031-03-12 10:{n:02},17,run,-20,-19.5,30" for n in range(20)]
    head = "Time,Use,State,Ordered cmH2O,Suction cmH2O,Leak mL/min"
    made = suggest(
        "\n".join([*lines, head, *rows, ""]).encode(), file_name, site="mill", timezone="Europe/Zurich"
    )
    return made, tomllib.loads(made.text)


@pytest.mark.parametrize(
    "line", ["unit,B-22,printed,2031-03-12 11:00,,", "unit: B-22", "ward,7,unit no:, B-22 ,x"]
)
def test_a_serial_ends_at_the_lines_end_or_the_next_delimiter(line: str) -> None:
    pattern = above(line)[1]["device"]["line"]
    assert every(pattern, line, "device") == ["B-22"]
    assert every(pattern, line.replace("B-22", "C-9"), "device") == ["C-9"]
    for odd in ("B 22", "B/22", "B-22 (new)"):
        assert every(pattern, line.replace("B-22", odd), "device") == []


def test_what_is_no_serial_is_asked_for_and_not_cut() -> None:
    made, told = above("unit,B 22,printed,2031-03-12 11:00", file_name="DV-7.csv")
    assert told["device"] == {"line": "?"}
    assert any("[device] line" in asked and "no other drain has too" in asked for asked in made.to_fill)


def test_a_word_for_a_unit_may_be_a_ward_and_is_doubted() -> None:
    assert any("[device] line" in doubt for doubt in above("unit,thoracic")[0].doubts)


def test_a_last_row_with_blanks_for_readings_is_no_sum() -> None:
    rows = [f"2031-03-12 10:{n:02},17,run,-20,-19.5,30" for n in range(20)] + ["2031-03-12 10:20,17,,,,"]
    log = "\n".join(["Time,Use,State,Ordered cmH2O,Suction cmH2O,Leak mL/min", *rows, ""]).encode()
    assert [d for d in suggest(log, "DV-7.csv").doubts if "last line" in d] == []


@pytest.mark.parametrize("padding", ["", ";;;;", "; ; ;;", ";;;;;;;;;"])
def test_a_sum_is_none_of_the_rows_however_a_spreadsheet_padded_it(padding: str) -> None:
    rows = [f"12.03.2031 10:{n:02};17;run;-20;-19,5;30" for n in range(20)]
    head = "Zeit;Sitzung;Zustand;Sollsog [cmH2O];Istsog [cmH2O];Leck [mL/min]"
    log = "\n".join([head, *rows, f"Summe;20 Zeilen{padding}", ""]).encode()
    made = suggest(log, "DV-7.csv", site="mill", timezone="Europe/Zurich")
    file = read_log(log, "DV-7.csv", [parse_profile(made.text)], load_definitions()).file
    assert (file["status"], file["rows_kept"], file["complete"]) == ("loaded", 20, True)


@pytest.mark.parametrize("mean", ["Istsog", "Vakuum ist", "Sog"])
def test_the_mean_pressure_is_found_beside_the_least_and_greatest(mean: str) -> None:
    rows = [f"12.03.2031 10:{n:02};17;run;-2;-1,95;-2,1;-1,8;30" for n in range(20)]
    head = f"Zeit;Sitzung;Zustand;Sollsog [kPa];{mean} [kPa];Sog min [kPa];Sog max [kPa];Leck [mL/min]"
    columns = tomllib.loads(suggest("\n".join([head, *rows, ""]).encode(), "DV-7.csv").text)["columns"]
    assert columns["pressure_mean"] == f"{mean} [kPa]"
    assert columns["set_pressure"] == "Sollsog [kPa]"


def test_a_draft_without_a_mean_pressure_is_doubted_and_so_is_what_it_reads() -> None:
    rows = [f"2031-03-12 10:{n:02},17,run,-20,-21,-18,30" for n in range(20)]
    log = "\n".join(["Time,Use,State,Ordered cmH2O,Min cmH2O,Max cmH2O,Leak mL/min", *rows])
    made = suggest(log.encode(), "DV-7.csv", site="mill", timezone="Europe/Zurich")
    assert any(doubt.startswith("[columns] no mean pressure") for doubt in made.doubts)
    profile = parse_profile(made.text)
    read = read_log(log.encode(), "DV-7.csv", [profile], load_definitions())
    said = " ".join(
        doubts(
            read.minutes,
            read.rejected_values.with_columns(rule=pl.lit("")),
            profile,
            log.encode(),
            None,
            None,
        )
    )
    assert "no minute has a mean pressure" in said
    assert "see [columns] pressure_mean" in said


@pytest.mark.parametrize(
    ("line", "date"),
    [
        ("Ausdruck: 20.10.2031 20:01", "20.10.2031 20:01"),
        ("unit,B-22,printed,09/04/2031 02:50:00 AM", "09/04/2031 02:50:00 AM"),
        ("Druckdatum,20.10.2031 20:01,,,", "20.10.2031 20:01"),
    ],
)
def test_the_date_of_export_is_found_by_its_word_wherever_it_stands_in_the_line(line: str, date: str) -> None:
    export = above(line)[1]["exported_at"]
    assert every(export["line"], line, "exported_at") == [date]
    assert datetime.strptime(date, export["format"]).year == 2031


@pytest.mark.parametrize("kind", ["registry", "annotations"])
def test_a_registry_needs_no_profile(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "ward.csv"
    file.write_text(f"# drain-{kind}: 1\n# exported_at: 2031-03-20T06:00:00+01:00\n")
    assert run(["profile", "suggest", str(file)]) == WRONG_CALL
    assert "is loaded as it is" in capsys.readouterr().err


LAYOUT = "Zeit;Größe;Zustand;Soll cmH2O;Ist cmH2O;Leck mL/min"


def in_encoding(encoding: str, days: str = "13.{month:02}.2031", head: str = LAYOUT) -> bytes:
    rows = [
        f"{days.format(month=1 + n // 10, day=1 + n // 10)} 10:{n % 10:02};17;läuft;-20;-19,5;30"
        for n in range(40)
    ]
    return "\n".join([head, *rows, ""]).encode(encoding)


def test_drafts_of_one_layout_in_two_encodings_fit_their_own_files_alone() -> None:
    files = {encoding: in_encoding(encoding) for encoding in ("utf-8", "windows-1252")}
    drafts = {e: tomllib.loads(suggest(data, "DV-7.csv").text) for e, data in files.items()}
    for encoding, data in files.items():
        fits = [
            e
            for e, draft in drafts.items()
            if holds(draft["match"], first_lines(data, draft.get("encoding", "utf-8")))
        ]
        assert fits == [encoding]
    # Without an accent among the names nothing above the rows tells them apart, and the draft says so.
    plain = suggest(in_encoding("windows-1252", head=LAYOUT.replace("ö", "o").replace("ß", "s")), "DV-7.csv")
    assert any(d.startswith("match") and "another encoding fits too" in d for d in plain.doubts)


def test_days_in_a_row_that_are_drafted_as_months_are_doubted() -> None:
    made = suggest(in_encoding("utf-8", days="02.{day:02}.2031"), "DV-7.csv")
    assert any(
        "[clock] format: it leaps by more than a day 3 times, and 0 times were" in d for d in made.doubts
    )


def test_a_profile_that_fits_already_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.csv").write_text(export())
    run(["profile", "suggest", str(tmp_path / "a.csv"), "--home", str(tmp_path / "home")])
    said = capsys.readouterr().err
    assert "profile 'v1' fits this file already, 3 of 3 rows kept: load it as it is" in said
