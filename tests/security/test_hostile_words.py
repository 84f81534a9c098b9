"""Hostile names and values go end to end: kept as they are where they may be, obeyed by nobody."""

from __future__ import annotations

import csv
import html
import io
import json
import re
import sys
from pathlib import Path

import duckdb
import pytest

from flows.cli import DONE, SOME_REJECTED, run
from tests.security.conftest import CSI, ESCAPE, RTL, WARDS, Hostile

UNFIT = {ESCAPE, RTL, CSI, "x" * 4096, "NUL\x00inside"}
KEPT = [ward for ward in WARDS if ward not in UNFIT]
_FORMULA_BEGINS = ("=", "+", "-", "@", "\t", "\r")


class _Terminal(io.StringIO):
    """Takes what is printed and says it is a terminal."""

    def isatty(self) -> bool:
        return True


def _drain(hostile: Hostile) -> str:
    with duckdb.connect(str(hostile.home.database), read_only=True) as connection:
        return str(connection.execute("SELECT min(drain_id) FROM drain WHERE linked").fetchall()[0][0])


COMMANDS = (
    ["check", "LANDING"],
    ["check", "LANDING", "--json"],
    ["status"],
    ["status", "--json"],
    ["rejected"],
    ["rejected", "--json"],
    ["rejected", "--file", ESCAPE],
    ["sql", "FROM drain"],
    ["sql", "FROM drain", "--format", "csv"],
    ["sql", "FROM drain", "--format", "json"],
    ["sql", f"SELECT '{ESCAPE}' AS \"{ESCAPE}\""],
    ["sql", f"SELECT '{ESCAPE}' AS \"{ESCAPE}\"", "--format", "json"],
    ["sql", f'SELECT "{ESCAPE}" FROM drain'],
    ["sql", "FROM load_file"],
    ["sql", "FROM rejected_row"],
    ["sql", "FROM data_quality"],
    ["sql", "FROM alert"],
    ["explain", "DRAIN", "2031-03-10T10:05"],
    ["explain", "DRAIN", "2031-03-10T10:05", "--json"],
    ["explain", ESCAPE, RTL],
    ["outcomes", "--by", "procedure"],
    ["outcomes", "--by", "procedure", "--json"],
    ["whatif"],
    ["withdraw"],
    ["load", f"/nowhere/{ESCAPE}"],
    ["load", "LANDING", "--profile", ESCAPE],
    ["extract", f"{ESCAPE}.toml", "--out", "OUT"],
    [ESCAPE],
)


@pytest.mark.parametrize(
    "command", COMMANDS, ids=lambda command: " ".join(command)[:40].encode("unicode_escape").decode()
)
@pytest.mark.parametrize("terminal", [False, True])
def test_no_command_prints_a_sign_that_a_terminal_obeys(
    command: list[str], terminal: bool, hostile: Hostile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = {"LANDING": str(hostile.landing), "DRAIN": _drain(hostile), "OUT": str(tmp_path / "out")}
    out, err = (_Terminal(), _Terminal()) if terminal else (io.StringIO(), io.StringIO())
    monkeypatch.setenv("TERM", "dumb")  # no colours of our own among what is looked for
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", err)
    run(["--home", str(hostile.home.root), *(words.get(word, word) for word in command)])
    printed = out.getvalue() + err.getvalue()
    assert printed
    assert {sign for sign in printed if not sign.isprintable()} <= {"\n", "\t"}


def test_words_that_may_be_are_kept_to_the_letter_and_the_others_are_on_record(
    hostile: Hostile, capsys: pytest.CaptureFixture[str]
) -> None:
    with duckdb.connect(str(hostile.home.database), read_only=True) as connection:
        units = {row[0] for row in connection.execute("SELECT unit FROM drain WHERE linked").fetchall()}
        rejected = connection.execute(
            "SELECT scope, \"column\", count(*) FROM rejected_row WHERE rule = 'text_unfit' GROUP BY ALL ORDER BY ALL"
        ).fetchall()
        assert connection.execute("SELECT count(*) FROM minute").fetchall()[0][0] > 0
    assert units == set(KEPT)
    # A ward is needed, so its row is lost; a procedure is not; rows that are lost are not counted twice.
    assert {f"{scope} {column}": n for scope, column, n in rejected} == {
        "row unit": len(UNFIT),
        "cell procedure": sum(
            ward not in UNFIT and WARDS[(number + 3) % len(WARDS)] in UNFIT
            for number, ward in enumerate(WARDS)
        ),
        "cell author_role": 1,
        "cell note": 1,
    }
    assert run(["--home", str(hostile.home.root), "rejected", "--file", "registry.csv"]) == DONE
    assert r"unit text_unfit: '\x1b[31mred\x1b]0;title\x07' (row rejected)" in capsys.readouterr().out


@pytest.mark.parametrize("ward", KEPT)
def test_sql_finds_a_ward_by_its_very_name(
    ward: str, hostile: Hostile, capsys: pytest.CaptureFixture[str]
) -> None:
    ask = "SELECT count(*) AS n FROM drain WHERE unit = '" + ward.replace("'", "''") + "'"
    assert run(["--home", str(hostile.home.root), "sql", ask, "--format", "csv"]) == DONE
    assert capsys.readouterr().out == "n\n1\n"


def test_csv_for_a_spreadsheet_holds_no_formula_and_every_number(
    hostile: Hostile, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(hostile.home.root)]
    assert (
        run([*home, "sql", "SELECT unit, procedure, -2.5 AS low FROM drain ORDER BY ALL", "--format", "csv"])
        == DONE
    )
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out, newline="")))
    assert {row["low"] for row in rows} == {"-2.5"}
    words = [row[name] for row in rows for name in ("unit", "procedure")]
    assert not [word for word in words if word.startswith(_FORMULA_BEGINS)]
    assert '\'=HYPERLINK("http://x","y")' in words


def test_pages_hold_hostile_words_as_words(hostile: Hostile, tmp_path: Path) -> None:
    out = tmp_path / "report"
    assert (
        run(["--home", str(hostile.home.root), "report", "--out", str(out), "--drain", _drain(hostile)])
        == DONE
    )
    pages = [path.read_text(encoding="utf-8") for path in out.rglob("*.html")]
    assert len(pages) >= 2
    for page in pages:
        assert "<script>alert(1)" not in page
        assert "49 {% raw %}" not in page
        assert not {sign for sign in page if not sign.isprintable() and sign not in "\n\t\u00a0\u202f\u2009"}
    assert any(html.escape("<script>alert(1)</script>", quote=False) in page for page in pages)
    assert all(path.resolve().is_relative_to(out.resolve()) for path in out.rglob("*"))


def test_an_extract_takes_no_hostile_word_along(hostile: Hostile, tmp_path: Path) -> None:
    cohort = tmp_path / "cohort.toml"
    cohort.write_text('cohort = 1\nname = "all"\ntitle = "All"\n\n[give]\ndates = "hours"\n')
    home, out = ["--home", str(hostile.home.root)], tmp_path / "out"
    assert run([*home, "extract", str(cohort), "--out", str(out)]) == DONE
    data = b"\n".join(path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file())
    for word in WARDS:
        if len(word) > 4:
            assert word.encode() not in data, word
    for path in (*out.rglob("*.csv"),):
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")):
            assert not [cell for cell in row if cell.startswith(_FORMULA_BEGINS) and not _is_number(cell)], (
                path
            )
    assert run([*home, "verify", str(out)]) == DONE


def _is_number(cell: str) -> bool:
    return re.fullmatch(r"[+-]?\d+(\.\d+)?(e[+-]?\d+)?", cell) is not None


def test_nothing_is_made_outside_the_home_and_no_shell_sees_a_name(hostile: Hostile) -> None:
    around = {path.name for path in hostile.home.root.parent.iterdir()}
    assert around == {"home", "landing"}
    names = [path.name for path in hostile.home.root.rglob("*")]
    assert "pwned" not in names
    assert not [name for name in names if re.search(r"DROP|HYPERLINK|Planted|\.\.|[^\x21-\x7e]", name)]


def test_json_keeps_what_it_escapes(hostile: Hostile, capsys: pytest.CaptureFixture[str]) -> None:
    home = ["--home", str(hostile.home.root)]
    assert run([*home, "rejected", "--file", "registry.csv", "--json"]) == DONE
    values = {row["value"] for row in json.loads(capsys.readouterr().out)}
    assert {ESCAPE, RTL, CSI} <= values


def test_the_same_folder_again_changes_nothing(hostile: Hostile, capsys: pytest.CaptureFixture[str]) -> None:
    before = hostile.home.database.stat().st_mtime_ns
    assert run(["--home", str(hostile.home.root), "load", str(hostile.landing)]) == SOME_REJECTED
    assert hostile.home.database.stat().st_mtime_ns == before
