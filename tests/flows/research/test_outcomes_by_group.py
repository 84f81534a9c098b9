"""`drainledger outcomes`: rate and duration by any column of the registry."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flows.cli import run
from flows.research.outcomes import Compared, run_outcomes, suppressed
from flows.show.outcomes import show_outcomes
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


COUNTS = ("counted", "prolonged", "unknown", "watched", "ended", "died_or_transferred")


def table_of(groups: list[tuple[int, int, int, int, int]]) -> pl.DataFrame:
    """LEAK_BY_STRATUM of groups told as prolonged, not prolonged, unknown, ended, died (all of them watched)."""
    every = [*[(f"g{n}", *group) for n, group in enumerate(groups)]]
    every.insert(0, ("all", *(sum(group[part] for group in groups) for part in range(5))))
    rows = [
        {
            "grouped_by": "all" if name == "all" else "side",
            "stratum": name,
            "counted": yes + no + unknown,
            "evaluable": yes + no,
            "prolonged": yes,
            "unknown": unknown,
            "rate": yes / (yes + no) if yes + no else None,
            "rate_if_unknown_no": yes / max(yes + no + unknown, 1),
            "watched": ended + died,
            "ended": ended,
            "died_or_transferred": died,
            "median_hours": 20.0,
        }
        for name, yes, no, unknown, ended, died in every
    ]
    return LEAK_BY_STRATUM.conform(pl.DataFrame(rows, infer_schema_length=None))


def told_of(strata: pl.DataFrame, least: int = 5) -> pl.DataFrame:
    return suppressed(Compared(strata, LEAK_COMPARISON.empty(), "d"), least).strata


def test_a_small_group_is_left_out_with_another_that_would_tell_it() -> None:
    told = told_of(table_of([(0, 57, 0, 57, 0), (0, 3, 0, 3, 0)]))
    assert told["counted"].to_list() == [60, None, None]
    several = told_of(table_of([(0, 57, 0, 57, 0), (0, 3, 0, 3, 0), (0, 9, 0, 9, 0)]))
    assert several["counted"].to_list() == [69, 57, None, None]
    assert several["median_hours"].to_list() == [20, 20, None, None]


def test_a_small_numerator_hides_its_rate_and_not_its_group() -> None:
    told = told_of(table_of([(2, 30, 0, 32, 0), (9, 30, 0, 39, 0), (10, 50, 0, 60, 0)]))
    assert told["counted"].to_list() == [131, 32, 39, 60]
    for column in ("prolonged", "evaluable", "rate", "rate_if_unknown_no"):
        assert told[column].is_null().to_list() == [False, True, True, False]
    assert told["watched"].to_list() == [131, 32, 39, 60]


def cells(row: dict[str, int]) -> dict[str, int]:
    """Every count that a row tells, by itself or by subtraction."""
    found = {name: row[name] for name in COUNTS if row[name] is not None}
    if {"counted", "prolonged", "unknown"} <= found.keys():
        found["not prolonged"] = found["counted"] - found["prolonged"] - found["unknown"]
    if {"watched", "ended", "died_or_transferred"} <= found.keys():
        found["censored"] = found["watched"] - found["ended"] - found["died_or_transferred"]
    return found


A_COUNT = st.integers(0, 12)
A_GROUP = st.tuples(A_COUNT, A_COUNT, st.integers(0, 7), A_COUNT, st.integers(0, 7)).filter(
    lambda g: sum(g[:3])
)


@given(st.lists(A_GROUP, min_size=1, max_size=5))
@settings(deadline=None, max_examples=150)
def test_no_small_count_can_be_recovered(groups: list[tuple[int, int, int, int, int]]) -> None:
    whole, *shown = told_of(table_of(groups)).rows(named=True)
    # Not even by somebody who knows everybody's figures from another table.
    known = table_of(groups).row(0, named=True)
    for row in (whole, *shown):
        assert not [cell for cell in cells(row).values() if 0 < cell < 5]
    for name in (*COUNTS, "not prolonged", "censored"):
        there = [cells(row)[name] for row in shown if name in cells(row)]
        hidden = len(shown) - len(there)
        left = cells(known)[name] - sum(there)
        if hidden == len(shown):
            continue  # what is left is everybody
        assert hidden == 0 or (hidden >= 2 and not 0 < left < 5), name


def test_the_test_does_not_tell_how_many_a_hidden_group_had() -> None:
    strata = table_of([(0, 57, 0, 57, 0), (0, 3, 0, 3, 0), (0, 9, 0, 9, 0)])
    test = LEAK_COMPARISON.conform(pl.DataFrame({"grouped_by": ["side"], "groups": [3], "watched": [69]}))
    assert suppressed(Compared(strata, test, "d"), 5).test["watched"].to_list() == [None]
    assert suppressed(Compared(strata, test, "d"), 1).test["watched"].to_list() == [69]


def test_a_statistic_is_hidden_with_the_count_it_rests_on(capsys: pytest.CaptureFixture[str]) -> None:
    strata = table_of([(0, 57, 0, 57, 0), (2, 30, 3, 3, 32), (0, 40, 0, 40, 0), (0, 70, 0, 70, 0)])
    row = {
        "grouped_by": ["side"],
        "groups": [4],
        "watched": [202],
        "chi_square": [9.1],
        "degrees": [3],
        "p_value": [0.03],
    }
    whole = Compared(strata, LEAK_COMPARISON.conform(pl.DataFrame(row)), "d")
    told = suppressed(whole, 5)
    # Three leaks ended in the second group: their times are what its median and mean are made of.
    assert told.strata["ended"].is_null().to_list() == told.strata["median_hours"].is_null().to_list()
    assert told.strata["median_hours"].null_count() == 2
    assert told.test.select("chi_square", "p_value").row(0) == (None, None)
    show_outcomes(told, as_json=False)
    said = capsys.readouterr().out
    assert "not told, for it would tell of a group that is too" in " ".join(said.split())
    assert "g1 35 too few too few too few" in " ".join(said.split())
    assert suppressed(whole, 1).test.equals(whole.test)


def test_with_small_counts_left_out_the_command_still_prints(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["outcomes", "--by", "site", "--suppress", "--home", str(home.root)]) == 0
    assert "too few" in capsys.readouterr().out


def test_the_test_names_the_groups_it_takes_and_those_it_leaves_out(
    capsys: pytest.CaptureFixture[str],
) -> None:
    strata = [
        {"grouped_by": "side", "stratum": name, "counted": 9, "evaluable": 0, "watched": watched}
        for name, watched in (("left", 9), ("right", 8), ("both", 0), ("tiny", None), (None, 7))
    ]
    test = {"grouped_by": "side", "groups": 3, "chi_square": 1.5, "degrees": 2, "p_value": 0.47}
    show_outcomes(
        Compared(
            pl.DataFrame(
                [dict.fromkeys(LEAK_BY_STRATUM.names) | row for row in strata], infer_schema_length=None
            ),
            pl.DataFrame([test]),
            "d",
        ),
        as_json=False,
    )
    said = " ".join(capsys.readouterr().out.split())
    assert "Log-rank of 3 groups (left, right and what is too small to show): chi-square 1.50" in said
    assert (
        "Left out of the test: not recorded, for that is no group; both, for nobody's leak was watched"
        in said
    )


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
        (["--by", "colour"], "no such column; there are site, unit, procedure"),
        (["--by", "ward"], "no such column; did you mean unit?"),
        (["--by", "month"], "rates by month are in the table prolonged_leak_rate"),
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
