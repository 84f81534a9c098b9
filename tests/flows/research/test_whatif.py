"""`drainledger whatif` on a loaded ledger."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest

from flows.cli import run
from flows.research.whatif import run_whatif
from pipeline.cohort.rules import load_rules
from pipeline.simulate import simulate
from pipeline.store import Home
from schemas.published import READINESS
from tests.support.homes import load, make_home


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    folder = tmp_path_factory.mktemp("whatif")
    fleet = simulate(folder / "fleet", drains=6, seed=3)
    home = make_home(folder / "ledger")
    assert load(home, [fleet.logs, *fleet.registries, *fleet.annotations]).published
    return home


def test_it_says_of_the_shipped_rules_what_the_table_of_readiness_does(home: Home) -> None:
    got = run_whatif(home, load_rules()).figures
    published = home.lake.scan(READINESS).collect()
    assert got["rule"].to_list() == [rule.name for rule in load_rules()]
    for row in got.iter_rows(named=True):
        own = published.filter(rule=row["rule"])
        assert row["ready"] == own["ready_at"].count() > 0
        assert row["leak_back"] == own["leak_returned_within_24h"].sum()


def test_small_batches_give_the_same(home: Home, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = run_whatif(home, load_rules()).figures
    monkeypatch.setattr("flows.research.whatif.BATCH_MINUTES", 1)
    assert run_whatif(home, load_rules()).figures.equals(whole)


def test_one_site_alone(home: Home) -> None:
    every = run_whatif(home, load_rules()[:1]).drains
    by_site = [run_whatif(home, load_rules()[:1], site).drains for site in ("lakeside", "north")]
    assert sum(by_site) == every
    assert min(by_site) > 0


def test_the_command_prints_the_caution_and_writes_nothing(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.stat().st_mtime_ns for path in home.root.rglob("*")}
    assert run(["whatif", "leak_20_for_8_hours", "--home", str(home.root)]) == 0
    text = capsys.readouterr().out
    assert "No rule is a recommendation" in text
    assert "can also be a blocked" in text
    assert "watched for 90 % of those minutes" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 100
    assert {path: path.stat().st_mtime_ns for path in home.root.rglob("*")} == before


def test_a_grid_as_json_with_a_picture(
    home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drawn = tmp_path / "rules.svg"
    axes = ["--axis", "leak_at_most=10,40", "--axis", "output_at_most=300,none"]
    call = [
        "whatif",
        "leak_20_output_300",
        *axes,
        "--picture",
        str(drawn),
        "--json",
        "--home",
        str(home.root),
    ]
    assert run(call) == 0
    told = json.loads(capsys.readouterr().out)
    assert [(r["leak_at_most"], r["output_at_most"]) for r in told["rules"]] == [
        (10, 300), (10, None), (40, 300), (40, None),
    ]  # fmt: skip
    assert "No rule is a recommendation" in told["caution"]
    assert drawn.read_text(encoding="utf-8").startswith("<svg")
    ready = pl.DataFrame(told["rules"], infer_schema_length=None)["ready"].to_list()
    assert ready[1] >= ready[0]


def test_a_rule_along_an_axis_keeps_its_name_for_what_does_not_move(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    call = ["whatif", "leak_20_output_300", "--axis", "leak_at_most=10,40", "--home", str(home.root)]
    assert run([*call, "--json"]) == 0
    assert [rule["title"] for rule in json.loads(capsys.readouterr().out)["rules"]] == [
        "leak_20_output_300 with leak at most 10 mL/min",
        "leak_20_output_300 with leak at most 40 mL/min",
    ]


def test_what_a_grid_leaves_out_is_said(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["leak_20_output_300", "--axis", "leak_at_most=10,90", "--axis", "excursion_up_to=40", "--axis"]
    assert run(["whatif", *call, "excursion_minutes=5", "--home", str(home.root)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert (
        "1 combination of the grid left out, for the figures do not go together: leak at most 90 mL/min"
        in said
    )
    assert run(["whatif", *call, "excursion_minutes=5", "--json", "--home", str(home.root)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["combinations_skipped"], len(told["rules"])) == (1, 1)
    assert told["combinations_left_out"][0].startswith("leak at most 90 mL/min, excursion up to 40 mL/min")


def test_rules_that_no_drain_tells_apart_are_named(home: Home, capsys: pytest.CaptureFixture[str]) -> None:
    call = ["whatif", "leak_20_output_300", "--axis", "output_at_most=9000,9500", "--home", str(home.root)]
    assert run(call) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Alike in every figure, for no drain here tells these rules apart:" in said
    assert "output at most 9000 mL = leak_20_output_300 with output at most 9500 mL" in said


@pytest.mark.parametrize(
    ("call", "status", "said"),
    [
        (["leak_5"], 2, "shipped are"),
        (["leak_20_for_8_hours", "leak_20_for_8_hours"], 2, "is named twice"),
        (["--axis", "leak_at_most=1"], 2, "name just one RULE"),
        (["--grid", "leak_at_most=1,2"], 2, "RULE --axis leak_at_most=1,2"),
        (["leak_20_for_8_hours", "--axis", "leak_at_most"], 2, "KEY=VALUE"),
        (["leak_20_for_8_hours", "--axis", "leak_ours=1"], 2, "did you mean leak_hours?"),
        (["leak_20_for_8_hours", "--axis", "leak_hours=1,many"], 2, "'many' is not a number"),
        (["leak_20_for_8_hours", "--axis", "leak_hours=inf"], 2, "finite number"),
        (["leak_20_for_8_hours", "--axis", "leak_hours=-1"], 2, "greater than 0"),
        (["leak_20_for_8_hours", "--axis", "leak_hours=1", "--axis", "leak_hours=2"], 2, "comes twice"),
        (["leak_20_for_8_hours", "--grid", "g.toml"], 2, "stands alone"),
        (["--grid", "g.toml"], 2, "g.toml: cannot be read"),
        (["--picture", "rules.pdf"], 2, "an .svg or a .png"),
        (["--picture", "nowhere/rules.svg"], 2, "no such folder"),
        (
            ["--site", "elsewhere"],
            2,
            "--site elsewhere: no drains of it are loaded; there are lakeside, north.",
        ),
    ],
)
def test_a_wrong_call_is_one_sentence(
    home: Home, call: list[str], status: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["whatif", *call, "--home", str(home.root)]) == status
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
