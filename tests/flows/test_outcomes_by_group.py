"""`drainledger outcomes`: rate and duration by any column of the registry."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from flows.cli import run
from flows.outcomes import Compared, run_outcomes, suppressed
from pipeline.cohort.grouping import group_of
from pipeline.marts import select
from pipeline.simulate import simulate
from pipeline.store import Home
from schemas.errors import CallError
from schemas.views import LEAK_BY_STRATUM, LEAK_COMPARISON
from tests.support.homes import load, make_home


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    folder = tmp_path_factory.mktemp("outcomes")
    fleet = simulate(folder / "fleet", drains=10, seed=5)
    home = make_home(folder / "ledger")
    assert load(home, [fleet.logs, *fleet.registries, *fleet.annotations]).published
    return home


def test_a_published_column_gives_what_the_published_tables_say(home: Home) -> None:
    got = run_outcomes(home, "procedure")
    query = "SELECT * FROM leak_by_stratum WHERE grouped_by IN ('all', 'procedure')"
    published = select(home.database, query, home.lake.root)
    key = ["grouped_by", "stratum"]
    assert got.strata.sort(key).equals(LEAK_BY_STRATUM.conform(published).sort(key))
    test = select(home.database, "FROM leak_comparison WHERE grouped_by = 'procedure'", home.lake.root)
    assert got.test.equals(LEAK_COMPARISON.conform(test))


def test_a_private_column_counts_everybody_once(home: Home) -> None:
    got = run_outcomes(home, "age_years", [60.0]).strata
    every = got.filter(grouped_by="all")["counted"].item()
    assert got.filter(grouped_by="age_years")["counted"].sum() == every > 5
    assert (
        got.filter(grouped_by="age_years")["watched"].sum() == got.filter(grouped_by="all")["watched"].item()
    )


def test_another_definition_of_the_same_drains(home: Home) -> None:
    strict, usual = (run_outcomes(home, "side", definition=name).strata for name in ("strict", None))
    assert strict["unknown"].sum() >= usual["unknown"].sum()
    assert strict["counted"].to_list() == usual["counted"].to_list()


def test_small_groups_are_left_out_and_cannot_be_reckoned_from_the_rest() -> None:
    rows = [("all", "all", 20), ("side", "left", 17), ("side", "right", 3)]
    strata = LEAK_BY_STRATUM.conform(
        pl.DataFrame(rows, schema=["grouped_by", "stratum", "counted"], orient="row")
    )
    told = suppressed(Compared(strata, LEAK_COMPARISON.empty(), "d"), 5).strata
    assert told["counted"].to_list() == [None, 17, None]
    several = strata.with_columns(counted=pl.Series([20, 3, 3]))
    assert suppressed(Compared(several, LEAK_COMPARISON.empty(), "d"), 5).strata["counted"].to_list() == [
        20, None, None,
    ]  # fmt: skip


def test_the_command_prints_groups_test_and_caution(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["outcomes", "--by", "age_years", "--cuts", "60,70", "--home", str(home.root)]) == 0
    text = capsys.readouterr().out
    assert "1: below 60" in text
    assert "Log-rank" in text
    assert "decides" in text
    assert max(map(len, text.splitlines())) <= 100
    assert run(["outcomes", "--by", "sex", "--json", "--home", str(home.root)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["log_rank"]["grouped_by"] == "sex"
    assert told["strata"][0]["stratum"] == "all"


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (["--by", "colour"], "no such column"),
        (["--by", "sex", "--cuts", "3"], "holds words"),
        (["--by", "bmi", "--cuts", "30,20"], "must rise"),
        (["--by", "bmi", "--cuts", "30,30"], "must rise"),
        (["--by", "bmi", "--cuts", "many"], "not numbers"),
        (["--by", "age_years", "--cuts", "65,nan"], "nan and inf cut nothing"),
        (["--by", "age_years", "--cuts", "nan"], "nan and inf cut nothing"),
        (["--by", "age_years", "--cuts", "65,inf"], "nan and inf cut nothing"),
        (["--by", "age_years", "--cuts=-inf,65"], "nan and inf cut nothing"),
        (["--by", "bmi", "--definition", "mine"], "there is none"),
    ],
)
def test_a_wrong_call_is_one_sentence(
    home: Home, call: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["outcomes", *call, "--home", str(home.root)]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_an_empty_home_has_no_outcomes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["outcomes", "--by", "sex", "--home", str(tmp_path / "none")]) == 3
    assert "there is no ledger here" in capsys.readouterr().err


def test_numbers_are_cut_at_their_median_unless_they_are_few() -> None:
    many = pl.Series("bmi", [20.0, 22.0, 24.0, 26.0, 28.0, 30.0, 32.0])
    assert group_of(many).to_list() == ["1: below 26"] * 3 + ["2: 26 and above"] * 4
    assert group_of(pl.Series("tube_french", [24.0, 28.0, None])).to_list() == ["24", "28", None]
    assert group_of(pl.Series("bmi", [None, None], dtype=pl.Float64)).to_list() == [None, None]
    with pytest.raises(CallError, match="must rise"):
        group_of(many, [30, 30])
