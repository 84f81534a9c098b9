"""The command line as a person meets it: what it prints, and the exit status a script sees."""

from __future__ import annotations

import json
import os
from pathlib import Path

import polars as pl
import pytest

from flows.cli import DONE, FAILED, SOME_REJECTED, WRONG_CALL, run
from tests.support.homes import make_home

LOG = """# drain-log: 1
# site: lakeside
# device: DV-0042
# exported_at: 2031-03-14T06:00:00+01:00
# timezone: Europe/Zurich
record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,air_leak,canister_volume,tilt,battery,mains,alerts
1,2031-03-10T14:00,17,run,-20,-19.8,-22.4,-17.6,140,35,1.2,88,1,
2,2031-03-10T14:01,17,run,-20,-19.8,-22.4,-17.6,140,35,1.2,88,1,battery_low
3,2031-03-10T14:02,17,{state},-20,-19.8,-22.4,-17.6,{leak},35,1.2,88,1,
# end: rows=3
"""


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.csv"
    path.write_text(LOG.format(state="run", leak="120"))
    return path


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    path = tmp_path / 'it\'s "bad" [red].csv'
    path.write_text(LOG.format(state="walk", leak="120"))
    return path


@pytest.fixture
def home(tmp_path: Path) -> str:
    return str(make_home(tmp_path / "ledger").root)


def test_a_good_file_is_loaded_and_can_be_asked(
    good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["load", str(good), "--home", home]) == DONE
    assert "1 new file (0 rejected)" in capsys.readouterr().out
    assert run(["--home", home, "sql", "SELECT minutes_observed FROM drain", "--format", "csv"]) == DONE
    assert capsys.readouterr().out == "minutes_observed\n3\n"


def test_loading_again_says_that_nothing_changed(
    good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    capsys.readouterr()
    assert run(["load", str(good), "--home", home]) == DONE
    said = capsys.readouterr().out
    assert "0 new files" in said
    assert "Nothing changed" in said


def test_a_rejected_row_is_named_and_the_rest_loads(
    bad: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["load", str(bad), "--home", home]) == SOME_REJECTED
    assert f"{bad.name}: 2 of 3 rows kept" in capsys.readouterr().out
    assert run(["rejected", "--home", home]) == DONE
    said = capsys.readouterr().out
    assert bad.name in said
    assert "line 9: state" in said
    assert "'walk'" in said
    assert run(["rejected", "--file", bad.name, "--json", "--home", home]) == DONE
    rows = json.loads(capsys.readouterr().out)
    assert [(r["line"], r["column"], r["value"]) for r in rows] == [(9, "state", "walk")]


def test_check_says_the_same_and_writes_nothing(
    good: Path, bad: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = tmp_path / "never-made"
    assert run(["check", str(good), str(bad), "--home", str(home)]) == SOME_REJECTED
    said = capsys.readouterr().out
    assert "good.csv (profile v1): 3 of 3 rows would be kept." in said
    assert "line 9: state" in said
    assert not home.exists()
    assert run(["check", str(good), "--home", str(home)]) == DONE


def test_a_bad_cell_becomes_null_with_a_record(
    tmp_path: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "cell.csv"
    path.write_text(LOG.format(state="run", leak="a lot"))
    assert run(["load", str(path), "--home", home]) == SOME_REJECTED
    assert "3 of 3 rows kept, 1 cell made null." in capsys.readouterr().out
    run(["sql", 'SELECT rule, "column", value_shape FROM rejected_row', "--format", "json", "--home", home])
    rows = json.loads(capsys.readouterr().out)
    assert [(r["column"], r["value_shape"]) for r in rows] == [("air_leak", "a aaa")]


@pytest.mark.parametrize(
    ("arguments", "status", "told"),
    [
        (["load"], WRONG_CALL, "no path given"),
        (["load", "nowhere.csv"], WRONG_CALL, "nowhere.csv: no such file or folder"),
        (["lode", "x"], WRONG_CALL, "lode"),
        (["load", "x", "--profil", "v1"], WRONG_CALL, "--profil"),
        (["sql"], WRONG_CALL, "QUERY"),
        (["simulate", "--drains", "0", "--seed", "1", "--out", "out"], WRONG_CALL, "1 or more"),
        (["simulate", "--drains", "1", "--seed", "-1", "--out", "out"], WRONG_CALL, "seed -1"),
        (["simulate", "--drains", "x", "--seed", "1", "--out", "out"], WRONG_CALL, "drains"),
        (["status"], FAILED, "there is no ledger here"),
        (["rejected"], FAILED, "there is no ledger here"),
        (["rebuild"], FAILED, "there is no ledger here"),
        (["sql", "SELECT 1"], FAILED, "there is no ledger here"),
    ],
)
def test_a_mistake_is_one_sentence_and_a_status(
    arguments: list[str],
    status: int,
    told: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == status
    said = capsys.readouterr()
    assert told in said.err
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err


def test_an_unknown_profile_names_the_known_ones(
    good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["load", str(good), "--profile", "sowth", "--home", home]) == WRONG_CALL
    said = capsys.readouterr().err
    assert "profile sowth: there is none of that name" in said
    assert "north" in said
    assert "v1" in said


@pytest.mark.parametrize(
    "query",
    [
        "DROP TABLE drain",
        "SELECT 1; SELECT 2",
        "COPY drain TO 'out.csv'",
        "SELECT * FROM read_csv('/etc/passwd')",
        "SELECT nothing FROM drain",
        "SELEC 1",
    ],
)
def test_sql_takes_one_select_and_says_why_not_else(
    query: str, good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    capsys.readouterr()
    assert run(["sql", query, "--home", home]) == WRONG_CALL
    said = capsys.readouterr().err
    assert said.startswith("drainledger: sql: ")
    assert said.count("\n") == 1


def test_sql_writes_files_of_each_kind(
    good: Path, home: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    query = "SELECT minute, air_leak_ml_min FROM minute ORDER BY minute"
    for kind in ("csv", "json", "parquet"):
        out = tmp_path / f"out.{kind}"
        assert run(["sql", query, "--format", kind, "-o", str(out), "--home", home]) == DONE
    assert (tmp_path / "out.csv").read_text().splitlines()[1] == "2031-03-10T13:00:00Z,140.0"
    assert json.loads((tmp_path / "out.json").read_text())[2]["air_leak_ml_min"] == 120.0
    assert pl.read_parquet(tmp_path / "out.parquet").height == 3
    capsys.readouterr()
    assert run(["sql", query, "--format", "parquet", "--home", home]) == WRONG_CALL


def test_sql_takes_the_form_from_the_files_ending_and_refuses_an_ending_it_does_not_know(
    good: Path, home: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    for ending in ("csv", "json", "parquet", "txt"):
        assert run(["sql", "SELECT 1 AS a", "-o", str(tmp_path / f"e.{ending}"), "--home", home]) == DONE
    assert (tmp_path / "e.csv").read_text() == "a\n1\n"
    assert pl.read_parquet(tmp_path / "e.parquet")["a"].to_list() == [1]
    capsys.readouterr()
    assert run(["sql", "SELECT 1 AS a", "-o", str(tmp_path / "e.xlsx"), "--home", home]) == WRONG_CALL
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert ".csv, .json or .parquet" in said
    assert not (tmp_path / "e.xlsx").exists()


def test_sql_replaces_a_file_that_is_there_and_its_help_says_so(
    good: Path, home: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    out = tmp_path / "e.csv"
    out.write_text("a much longer file\n" * 9)
    assert run(["sql", "SELECT 1 AS a", "-o", str(out), "--home", home]) == DONE
    assert out.read_text() == "a\n1\n"
    capsys.readouterr()
    run(["sql", "--help"])
    assert "there already is replaced" in " ".join(capsys.readouterr().out.replace("│", " ").split())


def test_a_cell_that_a_spreadsheet_would_run_is_made_harmless(
    good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    capsys.readouterr()
    run(["sql", "SELECT '=1+1' AS a, -5 AS b, '-x' AS c", "--format", "csv", "--home", home])
    assert capsys.readouterr().out == "a,b,c\n'=1+1,-5,'-x\n"


def test_status_tells_what_is_there_for_people_and_scripts(
    good: Path, bad: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), str(bad), "--home", home])
    capsys.readouterr()
    assert run(["status", "--home", home]) == DONE
    said = capsys.readouterr().out
    assert "1 loaded, 1 partial" in said
    assert "no load is running" in said
    assert run(["status", "--json", "--home", home]) == DONE
    facts = json.loads(capsys.readouterr().out)
    assert facts["files"]["loaded"] == 1
    assert facts["rows_kept"] == 5
    assert facts["sites"][0]["site"] == "lakeside"


def test_rebuild_gives_the_same_answers(good: Path, home: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(["load", str(good), "--home", home])
    capsys.readouterr()
    query = ["sql", "SELECT * FROM minute ORDER BY minute", "--format", "csv", "--home", home]
    run(query)
    before = capsys.readouterr().out
    assert run(["rebuild", "--home", home]) == DONE
    capsys.readouterr()
    run(query)
    assert capsys.readouterr().out == before


def test_what_a_load_writes_is_its_owners_alone(good: Path, tmp_path: Path) -> None:
    home = tmp_path / "fresh"
    assert run(["load", str(good), "--home", str(home)]) == DONE
    open_to_others = [
        p for p in home.rglob("*") if p.stat().st_mode & 0o077 and p.name != "drainledger.duckdb"
    ]
    assert open_to_others == []


def test_the_home_can_be_named_in_the_environment(
    good: Path, home: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DRAINLEDGER_HOME", home)
    assert run(["load", str(good)]) == DONE
    assert (Path(home) / "drainledger.duckdb").exists()


def test_help_speaks_of_every_command_and_the_caution(capsys: pytest.CaptureFixture[str]) -> None:
    run(["--help"])
    said = capsys.readouterr().out
    for command in ("demo", "load", "check", "status", "rejected", "sql", "simulate", "rebuild"):
        assert command in said
    assert "decides nothing at the bedside" in " ".join(said.split())


def test_a_query_may_begin_with_a_comment(good: Path, home: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(["load", str(good), "--home", home])
    capsys.readouterr()
    assert (
        run(["sql", "-- How many?\nSELECT count(*) AS n FROM drain", "--format", "csv", "--home", home])
        == DONE
    )
    assert capsys.readouterr().out == "n\n1\n"


def test_sql_does_not_write_into_the_home(good: Path, home: str, capsys: pytest.CaptureFixture[str]) -> None:
    run(["load", str(good), "--home", home])
    database = Path(home) / "drainledger.duckdb"
    before = database.read_bytes()
    for target in (database, Path(home) / "lake" / "x.csv"):
        assert run(["sql", "SELECT 1", "--format", "csv", "-o", str(target), "--home", home]) == WRONG_CALL
    assert "lies in the ledger's own home" in capsys.readouterr().err
    assert database.read_bytes() == before


def test_check_tells_what_it_understood(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["check", str(good), "--home", str(tmp_path / "none")])
    said = capsys.readouterr().out
    assert (
        "understood: device DV-0042, session 17, 2031-03-10 14:00 to 2031-03-10 14:02 (Europe/Zurich)" in said
    )
    assert "ordered -20 to -20 cm[H2O]" in said
    assert "leak 120 to 140 mL/min" in said
    assert "1 file, 1 clean; 3 of 3 rows would be kept. Nothing was written." in said


def test_a_home_among_the_exports_is_not_taken_for_exports(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["load", "."]) == DONE
    assert run(["load", "."]) == DONE
    assert "0 new files (0 rejected), 1 known already" in capsys.readouterr().out


def test_what_is_passed_over_is_counted(
    tmp_path: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "exports"
    folder.mkdir()
    (folder / ".hidden.csv").write_text("x")
    (folder / ".DS_Store").write_text("x")
    (folder / "Thumbs.db").write_text("x")
    (folder / "loop").symlink_to(folder)
    (folder / "gone.csv").symlink_to(folder / "nothing")
    assert run(["load", str(folder), "--home", home]) == DONE
    said = capsys.readouterr().out
    assert "1 hidden (their names begin with a dot) passed over." in said
    assert "2 of file managers, editors or drives (such as Thumbs.db) passed over." in said
    assert "2 passed over that are no files" in said
    assert "There are no files to read at the paths given." in said


def test_a_name_that_is_no_text_is_shown_by_escapes(
    tmp_path: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "exports"
    folder.mkdir()
    name = b"caf\xe9 \x1b[31m.csv"
    (Path(os.fsdecode(os.fsencode(folder) + b"/" + name))).write_text(LOG.format(state="walk", leak="1"))
    assert run(["load", str(folder), "--home", home]) == SOME_REJECTED
    assert run(["rejected", "--home", home]) == DONE
    said = capsys.readouterr().out
    assert "caf\\xe9 \\x1b[31m.csv" in said
    assert "\x1b" not in said


def test_a_fault_nobody_foresaw_is_one_sentence_and_says_where_the_details_are(
    good: Path, home: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*arguments: object, **options: object) -> None:
        raise ZeroDivisionError("a secret value\nand more")

    monkeypatch.setattr("flows.loading.load.run_load", broken)
    assert run(["load", str(good), "--home", home]) == FAILED
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "last-fault.txt" in said
    assert "ZeroDivisionError" in (Path(home) / "private" / "last-fault.txt").read_text()


def test_advice_after_a_fault_fits_the_stage_and_check_keeps_no_record_of_it(
    good: Path, home: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*arguments: object, **options: object) -> None:
        raise ZeroDivisionError

    record = Path(home) / "private" / "last-fault.txt"
    monkeypatch.setattr("flows.show.results.again_words", broken)
    monkeypatch.setattr("flows.show.results.forced_words", broken)
    assert run(["load", str(good), "--home", home]) == FAILED
    said = capsys.readouterr().err
    assert "rebuild" not in said
    assert "Only the printing failed: what the command did stands" in said
    record.unlink()
    monkeypatch.setattr("flows.loading.checking.kind_of", broken)
    assert run(["check", str(good), "--home", home]) == FAILED
    assert "nothing was written" in capsys.readouterr().err
    assert not record.exists()
    monkeypatch.undo()
    monkeypatch.setattr("flows.loading.load.take_up", broken)
    assert run(["load", str(good), "--home", home]) == FAILED
    assert "`drainledger rebuild` makes everything anew" in capsys.readouterr().err


def test_a_home_that_was_moved_is_published_anew_by_the_next_load(
    good: Path, home: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    moved = tmp_path / "moved here"
    Path(home).rename(moved)
    assert run(["load", str(good), "--home", str(moved)]) == DONE
    capsys.readouterr()
    assert run(["sql", "SELECT count(*) AS n FROM minute", "--format", "csv", "--home", str(moved)]) == DONE
    assert capsys.readouterr().out == "n\n3\n"


def test_json_has_null_for_what_is_no_number(
    good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    capsys.readouterr()
    run(["sql", "SELECT 'nan'::DOUBLE AS x", "--format", "json", "--home", home])
    assert json.loads(capsys.readouterr().out) == [{"x": None}]


def test_a_copy_of_a_rejected_file_is_not_called_loaded(
    tmp_path: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("memo.txt", "memo (copy).txt"):
        (tmp_path / name).write_text("Dear all,\n")
    paths = [str(tmp_path / name) for name in ("memo.txt", "memo (copy).txt")]
    assert run(["load", *paths, "--json", "--home", home]) == SOME_REJECTED
    files = json.loads(capsys.readouterr().out)["files"]
    assert [file["status"] for file in files] == ["rejected", "rejected"]


REGISTRY = """# drain-registry: 1
# exported_at: 2031-03-15T06:00:00+01:00
drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses,device
d1,p1,lakeside,thoracic,2031-03-10T12:00:00Z,2031-03-09T12:00:00Z,DV-0042/17,
d2,p2,lakeside,thoracic,2031-03-10T12:00:00Z,,DV-0042/17,
"""


def test_a_load_says_what_the_registry_contradicts_and_where_to_look(
    good: Path, home: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "ward.csv").write_text(REGISTRY)
    files = [str(good), str(tmp_path / "ward.csv")]
    run(["check", *files, "--home", home])
    said = capsys.readouterr().out
    assert "line 4: tube_out_before_in: tube_out_at lies before tube_in_at" in said
    assert "line 5: use_claimed_twice: names a device use as line 4 does" in said
    run(["check", *files, "--json", "--home", home])
    told = json.loads(capsys.readouterr().out)[1]["contradictions"]
    found = [(one["line"], one["finding"]) for one in told]
    assert found == [(4, "tube_out_before_in"), (5, "use_claimed_twice")]

    assert run(["load", *files, "--home", home]) == DONE
    said = capsys.readouterr().out
    assert "1 tube_out_before_in" in said
    assert "1 use_claimed_twice" in said
    query = "SELECT * FROM data_quality WHERE finding IS NOT NULL"
    assert query in said
    assert run(["sql", query, "--format", "json", "--home", home]) == DONE
    rows = json.loads(capsys.readouterr().out)
    assert run(["load", *files, "--json", "--home", home]) == DONE
    counted = json.loads(capsys.readouterr().out)["findings"]
    assert counted == {f: sum(row["finding"] == f for row in rows) for f in {row["finding"] for row in rows}}


def test_of_a_registry_that_fits_nothing_is_said(
    good: Path, home: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fits = (
        "\n".join(REGISTRY.splitlines()[:3]) + "\nd2,p2,lakeside,thoracic,2031-03-10T12:00:00Z,,DV-0042/17,\n"
    )
    (tmp_path / "ward.csv").write_text(fits)
    assert run(["load", str(good), str(tmp_path / "ward.csv"), "--home", home]) == DONE
    assert "data_quality" not in capsys.readouterr().out


def test_a_home_with_a_slip_in_its_name_is_answered_with_the_one_beside_it(
    good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    capsys.readouterr()
    assert run(["status", "--home", f"{home[:-2]}re"]) == FAILED
    assert f"name another with --home ({home} is one)." in " ".join(capsys.readouterr().err.split())


def test_a_load_says_that_it_began_a_new_ledger_and_only_then(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = str(tmp_path / "elsewhere")
    run(["load", str(good), "--home", new])
    assert f"A new ledger was begun in {new}" in capsys.readouterr().out
    run(["load", str(good), "--home", new])
    assert "A new ledger" not in capsys.readouterr().out


def test_a_query_can_lie_in_a_file(
    good: Path, home: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    question = tmp_path / "question.sql"
    question.write_text("-- How many?\nSELECT minutes_observed FROM drain")
    capsys.readouterr()
    assert run(["sql", str(question), "--format", "csv", "--home", home]) == DONE
    assert capsys.readouterr().out == "minutes_observed\n3\n"
    assert run(["sql", str(tmp_path / "gone.sql"), "--home", home]) == WRONG_CALL
    assert "gone.sql" in capsys.readouterr().err


def test_a_day_and_a_time_need_no_quotes_and_say_in_which_clock_they_are_read(
    good: Path, home: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run(["load", str(good), "--home", home])
    run(["sql", "SELECT drain_id FROM drain", "--format", "csv", "--home", home])
    drain = capsys.readouterr().out.split()[-1]
    assert run(["explain", drain[:6].lower(), "2031-03-10", "14:01", "--home", home]) == DONE
    said = capsys.readouterr().out
    assert "Minute 2031-03-10T14:01+01:00" in said
    assert "for the same time in UTC write 2031-03-10T14:01Z" in said


def test_columns_parted_by_another_sign_are_told_as_that(
    good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saved = tmp_path / "saved.csv"
    saved.write_text(
        "\n".join(
            line if line[0] == "#" else line.replace(",", ";") for line in good.read_text().splitlines()
        )
    )
    assert run(["check", str(saved)]) == SOME_REJECTED
    assert "its columns are parted by ';', not by ','" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    "call",
    [
        ["load", "gone.csv"],
        ["check", "gone.csv"],
        ["check", ".", "--profile", "gone.toml"],
        ["check", ".", "--profile", "gone"],
        ["profile", "suggest", "gone.csv"],
        ["profile", "suggest", "log.csv", "-o", "gone/draft.toml"],
        ["sql", "gone.sql"],
        ["sql", "SELECT 1", "-o", "gone/x.csv"],
        ["extract", "gone.toml", "--out", "out"],
        ["verify", "gone"],
        ["whatif", "gone.toml"],
        ["whatif", "gone"],
        ["whatif", "--grid", "gone.toml"],
        ["whatif", "--site", "gone"],
        ["whatif", "--picture", "gone/x.svg"],
        ["score", "gone.csv", "other.csv"],
        ["restore", "gone"],
        ["withdraw", "gone.csv", "--why", "a test"],
        ["reread", "gone.csv"],
        ["rejected", "--file", "gone.csv"],
        ["erase", "--file", "gone.csv", "--why", "a test"],
        ["explain", "gone", "2031-03-10T14:00"],
        ["report", "--out", "out", "--drain", "gone"],
        ["outcomes", "--by", "gone"],
    ],
    ids=" ".join,
)
def test_what_a_call_names_and_is_not_there_is_a_wrong_call_in_every_command(
    call: list[str], one_loaded: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(one_loaded)
    there = [] if call[0] == "restore" else ["--home", "home"]
    assert run([*call, *(there or ["--home", "new"])]) == WRONG_CALL
    said = capsys.readouterr().err
    assert "gone" in said.lower()
    assert said.count("\n") == 1


@pytest.fixture(scope="module")
def one_loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("desk")
    (folder / "log.csv").write_text(LOG.format(state="run", leak="140"))
    assert run(["load", str(folder / "log.csv"), "--home", str(folder / "home")]) == DONE
    return folder
