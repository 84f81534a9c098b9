"""A profile proposed for an export nobody has described: right, or marked as a doubt, or left to be filled in."""

from __future__ import annotations

import json
import re
import tomllib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.cli import DONE, SOME_REJECTED, WRONG_CALL, run
from pipeline.definitions import load_definitions
from pipeline.ingest import load_profiles, read_log
from pipeline.ingest.shelf import parse_profile
from pipeline.ingest.suggest import Suggestion, suggest
from schemas.errors import CallError, InputError
from shared import SHARED

ROOT = Path(__file__).parents[2]
NORTH = ROOT / "sample_logs" / "north" / "north_NK-0103_20310314.csv"
FEN = ROOT / "tests" / "flows" / "new_site" / "FD-311 2031-03-13T0600.txt"
QUAY = ROOT / "tests" / "flows" / "new_site" / "quay_dump.csv"
PROFILES = {"north": NORTH, "fen": FEN, "quay": QUAY} | {
    name: next((ROOT / "tests" / "ingest" / "data").glob(f"{name}*")) for name in ("harbour", "upland")
}


def described(name: str) -> dict[str, Any]:
    """The profile somebody wrote for that layout."""
    shipped = SHARED / "profiles" / f"{name}.toml"
    return tomllib.loads((shipped if shipped.exists() else FEN.parent / f"{name}.toml").read_text("utf-8"))


def proposed(layout: str, **known: str) -> tuple[Suggestion, dict[str, Any]]:
    path = PROFILES[layout]
    made = suggest(path.read_bytes(), path.name, **known)
    return made, tomllib.loads(made.text)


@pytest.mark.parametrize("name", PROFILES)
def test_the_columns_of_a_described_layout_are_found(name: str) -> None:
    ours, theirs = proposed(name)[1]["columns"], described(name)["columns"]
    unsure = {"record"} if name == "harbour" else set()  # one file for several drains: each counts for itself
    assert {k: v for k, v in ours.items() if k not in unsure} == {
        k: v for k, v in theirs.items() if k not in unsure
    }


@pytest.mark.parametrize("name", PROFILES)
def test_signs_of_the_page_and_formats_of_times_are_those_described(name: str) -> None:
    made, ours = proposed(name)
    theirs = described(name)
    for key, default in (("delimiter", ","), ("decimal", ".")):
        assert ours.get(key, default) == theirs.get(key, default)
    assert ("end_line" in ours) == ("end_line" in theirs)
    doubted = any(doubt.startswith("[clock] format") for doubt in made.doubts)
    assert ours["clock"]["format"] == theirs["clock"]["format"] or doubted


@pytest.mark.parametrize("name", PROFILES)
def test_no_unit_and_no_sign_is_wrong_without_a_doubt(name: str) -> None:
    made, ours = proposed(name)
    theirs = described(name)
    marked = " ".join((*made.doubts, *made.to_fill))
    for key, unit in theirs["units"].items():
        assert ours["units"][key] == unit or f"[units] {key}:" in marked, key
    for key, sign in ours["suction"].items():
        assert sign == theirs.get("suction", {}).get(key, "negative") or f"[suction] {key}:" in marked, key


@pytest.mark.parametrize("name", PROFILES)
def test_no_word_for_a_state_is_wrong(name: str) -> None:
    ours, theirs = proposed(name)[1]["states"], described(name)["states"]
    assert {k: v for k, v in ours.items() if v != "?"}.items() <= theirs.items()


def test_what_the_headers_say_needs_no_doubt() -> None:
    made, ours = proposed("north")
    assert ours["units"] == described("north")["units"]
    assert [doubt for doubt in made.doubts if "pressure" in doubt or "leak" in doubt] == []


def test_an_alert_with_a_column_of_its_own_is_found() -> None:
    assert proposed("quay")[1]["alerts"] == described("quay")["alerts"] | {"quiet": ["-"], "ringing": ["X"]}


def test_day_and_month_that_could_change_places_are_a_doubt() -> None:
    made, _ = proposed("quay")
    assert any(
        doubt.startswith("[clock] format: %") and "day or month first?" in doubt for doubt in made.doubts
    )


def test_a_midnight_tells_day_from_month() -> None:
    rows = [
        f"{(datetime(2031, 4, 3, 23, 50) + timedelta(minutes=n)):%m/%d/%Y %H:%M},4,run,-20,30"
        for n in range(20)
    ]
    made = suggest("\n".join(["Time,Use,State,Ordered cmH2O,Leak mL/min", *rows]).encode(), "DV-1.csv")
    assert 'format = "%m/%d/%Y %H:%M"\n' in made.text


def test_what_nobody_can_tell_cannot_be_loaded_before_it_is_filled_in() -> None:
    made, _ = proposed("north")
    assert [asked.partition(":")[0] for asked in made.to_fill] == ["site", "[clock] timezone"]
    with pytest.raises(InputError, match=r"site, \[clock\] timezone"):
        parse_profile(made.text)
    with pytest.raises(InputError, match=r": \[clock\] timezone"):
        parse_profile(made.text.replace('site = "?"', 'site = "north"'))


def test_filled_in_it_reads_the_file_as_the_described_profile_does() -> None:
    made, _ = proposed("north", site="north", timezone="Europe/Helsinki", name="mine")
    assert made.to_fill == ()
    definitions = load_definitions()
    mine = read_log(NORTH.read_bytes(), NORTH.name, [parse_profile(made.text)], definitions)
    theirs = read_log(NORTH.read_bytes(), NORTH.name, load_profiles(), definitions, profile="north")
    assert mine.minutes.drop("alerts").equals(theirs.minutes.drop("alerts"))
    assert mine.minutes.height == 3480


_HEADERS = {
    "en": ("No", "Time", "Use", "Mode", "Ordered", "Suction", "Lowest", "Highest", "Air leak", "Canister", "Tilt"),
    "de": ("Lfd", "Zeit", "Sitzung", "Zustand", "Sollwert", "Druck", "Min", "Max", "Luftleck", "Sekret", "Neigung"),
    "fr": ("Ligne", "Heure", "Patient", "Etat", "Consigne", "Pression", "Min", "Max", "Fuite", "Bocal", "Inclinaison"),
}  # fmt: skip
_PRESSURES = {"kPa": 0.0980665, "mbar": 0.980665, "mmHg": 0.735559, "cmH2O": 1.0}
_FLOWS = {"L/min": 0.001, "mL/min": 1.0, "l/h": 0.06}


@st.composite
def layouts(draw: st.DrawFn) -> tuple[str, str]:
    """A log in a layout drawn from what sites do, and its file name; its readings are always the same."""
    delimiter = draw(st.sampled_from([";", "\t", ","]))
    decimal = draw(st.sampled_from([".", ","] if delimiter != "," else ["."]))
    form = draw(
        st.sampled_from(["%d.%m.%Y %H:%M", "%Y-%m-%dT%H:%M", "%m/%d/%Y %I:%M %p", "%d/%m/%y %H:%M:%S"])
    )
    pressure, flow = draw(st.sampled_from(sorted(_PRESSURES))), draw(st.sampled_from(sorted(_FLOWS)))
    sign = draw(st.sampled_from([1, -1]))
    run, pause = draw(
        st.sampled_from([("run", "pause"), ("on", "standby"), ("Sog", "Aus"), ("marche", "arret")])
    )
    names = list(_HEADERS[draw(st.sampled_from(sorted(_HEADERS)))])
    units = ["", "", "", "", pressure, pressure, pressure, pressure, flow, "mL", "deg"]
    bracket = draw(st.sampled_from([" ({})", " [{}]", " {}"]))
    head = [name + (bracket.format(unit) if unit else "") for name, unit in zip(names, units, strict=True)]
    order = draw(st.permutations(range(len(head))))

    def number(value: float, digits: int = 4) -> str:
        return f"{value:.{digits}f}".replace(".", decimal)

    rows = []
    for n in range(30):
        moment = datetime(2031, 3, 12, 23, 45) + timedelta(minutes=n)
        p = [
            sign * q * _PRESSURES[pressure]
            for q in (20, 19.5, 22 if sign < 0 else 17, 17 if sign < 0 else 22)
        ]
        # of strengths the least is written as the least
        row = [str(900 + n), moment.strftime(form), "17", pause if n in (7, 8) else run, *map(number, p),
               number(40 * _FLOWS[flow], 6), number(100 + n, 1), number(1.5, 1)]  # fmt: skip
        rows.append(delimiter.join(row[at] for at in order))
    return "\n".join([delimiter.join(head[at] for at in order), *rows]) + "\n", "DV-7_log.csv"


@settings(max_examples=20)
@given(layouts())
def test_a_layout_of_any_sites_making_is_read_as_it_is_meant(made: tuple[str, str]) -> None:
    log, name = made
    found = suggest(log.encode(), name, site="mill", timezone="Europe/Zurich")
    assert found.to_fill == ()
    read = read_log(log.encode(), name, [parse_profile(found.text)], load_definitions(), profile="draft")
    assert read.file["status"] == "loaded", (found.text, read.file["reason"])
    minute = read.minutes.sort("clock")
    assert minute["clock"][0] == datetime(2031, 3, 12, 23, 45)
    assert minute["record"].to_list() == list(range(900, 930))
    assert minute["state"].to_list().count("pause") == 2
    readings = ("set_pressure", "pressure_mean", "pressure_min", "pressure_max")
    for ours, value in zip(readings, (-20, -19.5, -22, -17), strict=True):
        assert minute[f"{ours}_cmh2o"].to_list() == pytest.approx([value] * 30, abs=0.011)
    assert minute["air_leak_ml_min"].to_list() == pytest.approx([40] * 30)
    assert minute["canister_volume_ml"].to_list() == pytest.approx([100 + n for n in range(30)])


_ODD = st.one_of(
    st.binary(max_size=400),
    st.text(alphabet="a;,\t\n\"'.:1-% #=", max_size=400).map(str.encode),
    st.lists(st.integers(0, len(NORTH.read_bytes()) - 1), max_size=30).map(
        lambda places: bytes(
            255 - b if at in set(places) else b for at, b in enumerate(NORTH.read_bytes()[:4000])
        )
    ),
)


@settings(max_examples=20)
@given(_ODD)
def test_whatever_the_bytes_there_is_a_profile_or_one_sentence(data: bytes) -> None:
    try:
        said = suggest(data, "x_AB-1.csv").text
    except InputError as error:
        said = f"about = {json.dumps(str(error))}"
    told = tomllib.loads(said)
    assert told.get("about", "profile suggest: ").startswith("profile suggest: ")
    assert "\n" not in told.get("about", "")


def test_no_cell_but_words_of_the_drain_goes_into_the_proposal() -> None:
    rows = [f"2031-03-12 10:{n:02};17;run;-20;30;Ada Heron;P-4711" for n in range(20)]
    head = "Time;Use;State;Ordered cmH2O;Leak mL/min;Name;Patient key"
    log = "\n".join(["Heron, Ada: printed 12.03.2031 06:00", head, *rows]).encode()
    made = suggest(log, "Ada_Heron_DV-7.csv")
    assert [word for word in ("Heron", "Ada", "4711") if word in made.text] == []
    assert {"Name", "Patient key"} <= set(made.unread)


def test_the_command_writes_a_draft_that_check_can_be_tried_with(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mill.toml"
    call = ["profile", "suggest", str(FEN), "--timezone", "Europe/London", "--site", "mill", "-o", str(out)]
    assert run(call) == SOME_REJECTED
    said = capsys.readouterr().out
    assert "[constants] session" in said
    assert f"--profile {out}" in said
    assert run(call) == WRONG_CALL  # it is there already, and stays as it was edited
    out.write_text(out.read_text().replace('session = "?"', "session = 0"))
    assert run(["check", str(FEN), "--profile", str(out)]) == DONE
    assert "12 of 12 rows would be kept" in capsys.readouterr().out


@pytest.mark.parametrize("wrong", [{"site": "Mill Hospital"}, {"timezone": "Zurich"}, {"name": "a b"}])
def test_a_name_that_cannot_be_one_is_said_at_once(wrong: dict[str, str]) -> None:
    with pytest.raises(CallError, match=next(iter(wrong.values()))):
        suggest(NORTH.read_bytes(), NORTH.name, **wrong)


def test_no_table_is_said_in_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear all,\nthe minutes of the meeting follow.\n")
    assert run(["profile", "suggest", str(letter)]) == 3
    assert "holds no table of minutes" in capsys.readouterr().err


STRANGE = (
    """Ward 7 monitor dump
Serial No.,SU-731
Made,20310711 2339

Rec,Day,Time,Adm,Therapy,P_set,P_mean,P_lo,P_hi,Leak,Canister,Roll,Bat,Codes
,,,,,mmHg,mmHg,mmHg,mmHg,L/h,cL,deg,%,
"""
    + "".join(
        f"{n},12/03/2031,23:{30 + n},5,{'STANDBY' if n == 9 else 'THERAPY ON'},-15,-14.8,-16,-13,2.4,{10 + n / 10:.1f},2.5,90,"
        f"{'tipped over' if n == 4 else ''}\n"
        for n in range(20)
    )
    + "END OF EXPORT,20 records\n"
)


def test_units_under_the_header_and_what_stands_above_and_below_are_seen() -> None:
    told = tomllib.loads(suggest(STRANGE.encode(), "dump.csv").text)
    assert told["skip_below_header"] == 1
    assert told["units"] == {
        "set_pressure": "mmHg", "pressure": "mmHg", "air_leak": "L/h", "canister_volume": "cL", "tilt": "deg",
        "battery": "%",
    }  # fmt: skip
    assert re.fullmatch(told["device"]["line"], "Serial No.,XY-9")
    assert told["exported_at"]["format"] == "%Y%m%d %H%M"
    assert re.fullmatch(told["end_line"], "END OF EXPORT,7 records")
    assert told["columns"]["session"] == "Adm"


def test_a_column_is_the_state_by_its_words_where_its_name_says_nothing() -> None:
    made = suggest(STRANGE.encode(), "dump.csv")
    told = tomllib.loads(made.text)
    assert told["columns"]["state"] == "Therapy"
    assert told["states"] == {"THERAPY ON": "run", "STANDBY": "pause"}


def test_a_code_with_a_blank_gets_a_name_it_can_be_kept_under() -> None:
    made = suggest(STRANGE.encode(), "dump.csv", site="mill", timezone="Europe/Zurich")
    assert tomllib.loads(made.text)["alerts"]["codes"] == {"tipped over": "other:tipped_over"}
    read = read_log(
        STRANGE.encode(), "dump.csv", [parse_profile(made.text)], load_definitions(), profile="draft"
    )
    assert (read.file["status"], read.file["rows_kept"]) == ("loaded", 20)


def test_all_that_is_still_to_be_filled_in_is_said_at_once() -> None:
    with pytest.raises(
        InputError, match=r"still to be filled in .*: site, \[clock\] timezone\. Edit draft\.toml"
    ):
        parse_profile(suggest(STRANGE.encode(), "dump.csv").text, "draft.toml")


def test_doubts_beside_no_key_are_told_too() -> None:
    cut = STRANGE[: STRANGE.index("END OF EXPORT") - 20]
    assert any("is the copy cut off?" in doubt for doubt in suggest(cut.encode(), "dump.csv").doubts)


def test_check_doubts_a_record_that_counts_no_minutes_and_a_state_that_hides_pauses(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = [f"{60 * n},2031-03-12 10:{n:02},17,-20,{'-1' if n > 12 else '-19.5'},30" for n in range(20)]
    log = tmp_path / "DV-7.csv"
    log.write_text("\n".join(["Rec,Time,Use,Ordered cmH2O,Mean cmH2O,Leak mL/min", *rows, ""]))
    drafted = suggest(log.read_bytes(), log.name, site="mill", timezone="Europe/Zurich").text
    drafted = drafted.replace('state = "?"', 'state = "run"').replace(
        "[columns]", '[columns]\nrecord = "Rec"', 1
    )
    profile = tmp_path / "draft.toml"
    profile.write_text(drafted)
    run(["check", str(log), "--profile", str(profile)])
    said = " ".join(capsys.readouterr().out.split())
    assert "record rises by 60 from row to row" in said
    assert "in 7 rows hardly any of the ordered suction is there" in said
