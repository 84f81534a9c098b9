"""Strips leave the house without a word of whose they are or what the pipeline says; the sheets come back."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from pathlib import Path

import pytest

from flows.cli import DONE, FAILED, WRONG_CALL, run
from pipeline.extract.strip_frame import QUESTIONS, STRATA
from pipeline.store import Home
from tests.extract.small_ward import SECRETS, write_ward
from tests.support.homes import load, make_home


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    root = tmp_path_factory.mktemp("sampled")
    home = make_home(root / "home")
    load(home, [write_ward(root / "exports")])
    return home


@pytest.fixture(scope="module")
def drawn(home: Home, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("sample") / "strips"
    arguments = ["sample", "--strips", "5", "--seed", "7", "--out", str(out), "--home", str(home.root)]
    assert run(arguments) == DONE
    return out


def _key(home: Home, drawn: Path) -> dict[str, dict[str, str]]:
    rows = list(csv.DictReader(io.StringIO((drawn / "sheet_reader_1.csv").read_text())))
    content = json.loads((home.private / "samples" / f"{rows[0]['sample']}.json").read_text())
    return {strip["strip"]: strip for strip in content["strips"]}


def _filled(drawn: Path, key: dict[str, dict[str, str]], to: Path, wrong: int = 0) -> Path:
    rows = list(csv.DictReader(io.StringIO((drawn / "sheet_reader_1.csv").read_text())))
    for number, row in enumerate(rows):
        for question in QUESTIONS:
            row[question] = "cannot_tell" if number < wrong else key[row["strip"]][question]
    with to.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return to


def test_readers_see_readings_and_nothing_else(home: Home, drawn: Path) -> None:
    files = {
        p.relative_to(drawn).as_posix(): p.read_text(encoding="utf-8")
        for p in drawn.rglob("*")
        if p.is_file()
    }
    pictures = [name for name in files if name.endswith(".svg")]
    assert len(pictures) == 5
    key = _key(home, drawn)
    assert {Path(name).stem for name in pictures} == set(key)
    told_by_key = {strip["drain_id"] for strip in key.values()} | {
        strip["from_at"][:10] for strip in key.values()
    }
    for name, text in files.items():
        for secret in (*SECRETS, *told_by_key, "seed"):
            assert secret.lower() not in text.lower(), (name, secret)
        assert not re.search(r"20\d\d-\d\d", text), name
        if name not in ("README.md", "sheet_reader_1.csv", "sheet_reader_2.csv"):
            for kind in (*STRATA, "tidaling", "indeterminate", "flag"):
                assert kind not in text.replace("air leak", "").replace("air_leak_ml_min", ""), (name, kind)
    assert "air leak" in files[pictures[0]]
    assert (drawn / "sheet_reader_1.csv").read_bytes() == (drawn / "sheet_reader_2.csv").read_bytes()


def test_the_same_seed_draws_the_same_bytes(home: Home, drawn: Path, tmp_path: Path) -> None:
    out = tmp_path / "again"
    assert (
        run(["sample", "--strips", "5", "--seed", "7", "--out", str(out), "--home", str(home.root)]) == DONE
    )
    assert {p.name: p.read_bytes() for p in out.rglob("*") if p.is_file()} == {
        p.name: p.read_bytes() for p in drawn.rglob("*") if p.is_file()
    }


def test_two_sheets_give_agreement_and_accuracy(
    home: Home, drawn: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    key = _key(home, drawn)
    one = _filled(drawn, key, tmp_path / "anna.csv")
    two = _filled(drawn, key, tmp_path / "ben.csv", wrong=1)
    capsys.readouterr()
    assert run(["score", str(one), str(two), "--json", "--home", str(home.root)]) == DONE
    found = json.loads(capsys.readouterr().out)
    rows = {row["question"]: row for row in found["agreement"]}
    assert set(rows) == set(QUESTIONS)
    assert rows["leak"]["both_answered"] == 5
    right = [row for row in found["accuracy"] if row["told"]]
    assert right
    assert all(row["right"] == row["told"] for row in right)
    assert run(["score", str(one), str(two), "--home", str(home.root)]) == DONE
    assert "this ends the blinding" in capsys.readouterr().out


def test_what_cannot_be_scored_is_one_sentence(
    home: Home, drawn: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    key = _key(home, drawn)
    one = _filled(drawn, key, tmp_path / "one.csv")
    two = tmp_path / "two.csv"
    there = ["--home", str(home.root)]
    shutil.copy(one, two)
    other = make_home(tmp_path / "other")
    load(other, [write_ward(tmp_path / "exports")])
    trials = [
        ([str(one), str(tmp_path / "none.csv"), *there], WRONG_CALL, "cannot be read"),
        ([str(one), str(one), *there], WRONG_CALL, "given twice"),
        ([str(one), str(two), "--home", str(other.root)], FAILED, "was not drawn from"),
    ]
    for arguments, status, told in trials:
        capsys.readouterr()
        assert run(["score", *arguments]) == status
        said = capsys.readouterr().err
        assert told in said
        assert said.count("\n") == 1
    text = one.read_text()
    for changed, told in (
        (text.replace(text.split("\n")[1].split(",")[0], "V2"), "give two of one"),
        ("\n".join(text.split("\n")[:-2]), "strips are missing"),
    ):
        two.write_text(changed)
        assert run(["score", str(one), str(two), *there]) == FAILED
        assert told in capsys.readouterr().err


def test_what_cannot_be_drawn_is_one_sentence(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    there = ["--home", str(home.root)]
    for arguments, status, told in (
        (["--strips", "0", "--out", str(tmp_path / "a")], WRONG_CALL, "ask for 1 or more"),
        (["--strips", "5000", "--out", str(tmp_path / "a")], WRONG_CALL, "ask for fewer"),
        (["--strips", "5", "--out", str(home.root / "x")], WRONG_CALL, "write elsewhere"),
    ):
        assert run(["sample", *arguments, *there]) == status
        assert told in capsys.readouterr().err
    assert not (tmp_path / "a").exists()
