"""`drainledger explain`: what it says of a drain's minute, and when it says no."""

from __future__ import annotations

import gzip
import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

from flows.cli import DONE, FAILED, WRONG_CALL, run
from flows.looking.explain import MinuteOfDrain, use_anew
from flows.looking.when import when_of
from flows.show.explained import show_explained
from pipeline.definitions import load_definitions
from pipeline.simulate import simulate
from pipeline.store import Home
from schemas.errors import CallError, InputError
from schemas.lake import USE_TABLE
from schemas.published import DRAIN, DRAIN_USE, PERIOD
from tests.support.homes import load, make_home

DEFINITIONS = load_definitions()
MINUTE = timedelta(minutes=1)
RARE = ["occlusion_suspected", "clamped", "flow_stopped", "line_open", "suction_shortfall", "output_surge"]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory, samples: list[Path]) -> Home:
    """The sample logs, and some simulated ones beside them."""
    place = tmp_path_factory.mktemp("explained")
    ledger = make_home(place / "ledger")
    made = simulate(place / "invented", 4, 5)
    load(ledger, [*samples, made.logs, *(p.parent for p in made.registries[:1])])
    return ledger


@pytest.fixture(scope="module")
def spans(home: Home) -> pl.DataFrame:
    uses = home.lake.scan(USE_TABLE).collect()
    return home.lake.scan(DRAIN_USE).collect().join(uses, on="use_id").sort("drain_id", "from_at")


def published(home: Home, drain_id: str) -> dict[datetime, list[str]]:
    with duckdb.connect(str(home.database), read_only=True) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        told = connection.execute("SELECT minute, flags FROM minute WHERE drain_id = ?", [drain_id])
        return dict(told.fetchall())


def test_the_clauses_are_the_published_flags(home: Home, spans: pl.DataFrame) -> None:
    """Drawn minutes and the edges of periods, of all drains, in the database as anyone reads it."""
    draw = random.Random(11)
    periods = home.lake.scan(PERIOD).collect()
    seen: set[str] = set()
    checked = 0
    seldom = set(periods.filter(pl.col("kind").is_in(RARE))["drain_id"])
    for number, span in enumerate(spans.iter_rows(named=True)):
        if number % 3 and span["drain_id"] not in seldom:
            continue  # what is to be seen in it is seen in others
        flags = published(home, span["drain_id"])
        anew = use_anew(home, span, DEFINITIONS)
        own = periods.filter(pl.col("drain_id") == span["drain_id"]).sort(PERIOD.key)
        rare = (
            own.filter(pl.col("kind").is_in(RARE)).unique("kind", maintain_order=True)["started_at"].to_list()
        )
        ends = own["started_at"].to_list() + own["ended_at"].to_list()
        inside = [m for m in sorted(flags) if span["from_at"] <= m < span["until_at"]]
        asked = {
            *draw.sample(inside, 2),
            *draw.sample(ends, min(2, len(ends))),
            *(m - MINUTE for m in draw.sample(ends, min(1, len(ends)))),
            *rare,
        }
        for minute in sorted(asked & set(inside)):
            explained = anew.explain(minute, DEFINITIONS)
            assert [str(kind) for kind in explained.in_force] == flags[minute], (span["drain_id"], minute)
            seen |= set(flags[minute])
            checked += 1
    assert checked > 40
    assert seen >= {
        "tidaling_present",
        "leak",
        "tilted",
        "paused",
        "occlusion_suspected",
        "line_open",
        "no_data",
    }


def told(home: Home, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    status = run(["explain", *words, "--home", str(home.root)])
    said = capsys.readouterr()
    return status, said.out, said.err


def middle_of(home: Home, kind: str) -> tuple[str, datetime]:
    found = (
        home.lake.scan(PERIOD)
        .filter(pl.col("kind") == kind)
        .collect()
        .sort("minutes", "drain_id")
        .row(-1, named=True)
    )
    return found["drain_id"], found["started_at"] + found["minutes"] // 2 * MINUTE


def test_a_finding_can_be_followed_to_the_line_of_its_file(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    drain_id, minute = middle_of(home, "occlusion_suspected")
    status, out, _ = told(home, capsys, drain_id, minute.isoformat(), "--json")
    assert status == DONE
    facts: dict[str, Any] = json.loads(out)
    flag = next(one for one in facts["flags"] if one["kind"] == "occlusion_suspected")
    assert flag["in_force"]
    assert flag["period"]["grade"] == flag["grade"]
    assert facts["lines"][0]["role"] == "stands"
    raw = Path(facts["lines"][0]["raw_file"]).read_bytes()
    raw = gzip.decompress(raw) if raw.startswith(b"\x1f\x8b") else raw
    line = raw.splitlines()[facts["lines"][0]["line"] - 1].decode()
    assert str(facts["lines"][0]["record"]) in line
    assert facts["caution"]


def test_the_table_fits_a_hundred_columns_and_names_every_flag(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    drain_id, minute = middle_of(home, "occlusion_suspected")
    status, out, _ = told(home, capsys, drain_id, minute.isoformat())
    assert status == DONE
    lines = [line.rstrip() for line in out.splitlines() if "raw file" not in line]
    assert max(len(line) for line in lines) <= 100
    for kind in ("occlusion_suspected", "tilted", "output_surge", "no_data", "line_open"):
        assert any(line.startswith(kind) for line in lines)
    assert "no monitor" in " ".join(out.split())
    assert told(home, capsys, drain_id, minute.isoformat())[1] == out


def test_the_brief_form_says_of_every_flag_on_a_line_whether_it_holds_and_what_stands_against_it(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    period = (
        home.lake.scan(PERIOD)
        .filter(pl.col("kind") == "tilted")
        .collect()
        .sort("started_at")
        .row(0, named=True)
    )
    call = [
        "--home",
        str(home.root),
        "explain",
        period["drain_id"],
        f"{period['started_at']:%Y-%m-%dT%H:%MZ}",
    ]
    assert run([*call, "--brief"]) == DONE
    told = capsys.readouterr().out
    assert run([*call, "--json"]) == DONE
    flags = {flag["kind"]: flag["in_force"] for flag in json.loads(capsys.readouterr().out)["flags"]}
    in_force, against = told.split("Not in force")
    assert flags["tilted"]
    for kind, holds in flags.items():
        assert (f"\n  {kind} " in in_force) == holds
        assert (f"\n  {kind}: " in against) == (not holds)
    assert "tilt from upright: " in in_force
    assert "asked > 10 deg" in in_force
    assert len(told.splitlines()) < 60
    assert run([*call, "--brief", "--json"]) == WRONG_CALL


def test_the_beginning_of_a_drain_id_is_enough_where_it_is_the_only_one(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    drain_id, minute = middle_of(home, "leak")
    status, out, _ = told(home, capsys, drain_id[:8], minute.isoformat(), "--json")
    assert status == DONE
    assert json.loads(out)["drain_id"] == drain_id
    for asked, word in (("D", "too short"), ("ZZZZZZ", "no drain"), ("", "too short")):
        status, _, error = told(home, capsys, asked, minute.isoformat())
        assert status == WRONG_CALL
        assert word in error


def test_between_two_stretches_of_one_leak_explain_says_that_the_leak_joins_them(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    leaks = home.lake.scan(PERIOD).filter(pl.col("kind") == "leak").collect().sort(PERIOD.key)
    drain_id, minute = next(
        (row["drain_id"], minute)
        for row in leaks.iter_rows(named=True)
        for minute, flags in sorted(published(home, row["drain_id"]).items())
        if row["started_at"] <= minute < row["ended_at"] and "leak" not in flags
    )
    words = "not on at this minute; inside the drain's leak of "
    for more in ((), ("--brief",)):
        _, said, _ = told(home, capsys, drain_id, minute.isoformat(), *more)
        plain = " ".join(said.split())
        assert words in plain
        assert "which joins stretches less than 8 h apart" in plain
    _, said, _ = told(home, capsys, drain_id, minute.isoformat(), "--json")
    remarks = {flag["kind"]: flag["remark"] for flag in json.loads(said)["flags"]}
    assert remarks.pop("leak").startswith(words)
    assert set(remarks.values()) == {None}


def test_a_minute_outside_the_drain_is_told_its_first_and_last(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    drain = (
        home.lake.scan(DRAIN)
        .filter(pl.col("minutes_observed") > 0)
        .collect()
        .sort("drain_id")
        .row(0, named=True)
    )
    late = drain["ended_at"] + timedelta(days=90)
    status, _, error = told(home, capsys, drain["drain_id"], late.isoformat())
    assert status == WRONG_CALL
    assert "lies outside" in error
    assert "its first minute is" in error


def test_what_was_made_by_other_definitions_or_code_is_not_explained(
    home: Home, spans: pl.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    tilted = DEFINITIONS.tilted.model_copy(update={"limit": 20.0})
    other = DEFINITIONS.model_copy(update={"tilted": tilted})
    with pytest.raises(InputError, match="made from other definitions than what is here now"):
        use_anew(home, spans.row(0, named=True), other)
    monkeypatch.setattr("flows.loading.stale.code_digest", lambda: "another")
    with pytest.raises(InputError, match="another version of the code"):
        use_anew(home, spans.row(0, named=True), DEFINITIONS)


def test_a_ledger_without_a_database_has_nothing_to_explain(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    empty = make_home(tmp_path / "empty")
    assert told(empty, capsys, "DABCD", "2031-03-10T14:00")[0] == FAILED


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2031-03-10T14:00", "2031-03-10T13:00"),
        ("2031-03-10 14:00:59", "2031-03-10T13:00"),
        ("2031-03-10T14:00Z", "2031-03-10T14:00"),
        ("2031-03-10T14:00-05:00", "2031-03-10T19:00"),
        ("2031-10-26T02:30", "2031-10-26T00:30"),
        ("2031-10-26T02:30+01:00", "2031-10-26T01:30"),
    ],
)
def test_a_time_is_local_to_the_site_unless_it_says_otherwise(text: str, utc: str) -> None:
    when = when_of(text, "Europe/Zurich")
    assert f"{when.minute:%Y-%m-%dT%H:%M}" == utc
    assert ("came twice" in when.remark) == (text == "2031-10-26T02:30")
    with_offset = text.endswith("Z") or text.count("-") + text.count("+") > 2
    assert bool(when.remark) != with_offset


@pytest.mark.parametrize("text", ["noon", "2031-03-10", "2031-03-30T02:30", "2031-13-01T00:00", ""])
def test_what_is_no_time_or_never_was_is_refused_with_a_sentence(text: str) -> None:
    with pytest.raises(CallError, match="explain: "):
        when_of(text, "Europe/Zurich")


def test_a_minute_between_two_devices_is_told_to_have_nothing(
    home: Home, capsys: pytest.CaptureFixture[str]
) -> None:
    drain = {"drain_id": "DNONE", "site": "lakeside", "unit": None}
    period = PERIOD.conform(
        pl.DataFrame({"drain_id": ["DNONE"], "kind": ["no_data"], "minutes": [60]}).with_columns(
            started_at=pl.lit(datetime(2031, 3, 10, 12, tzinfo=UTC)),
            ended_at=pl.lit(datetime(2031, 3, 10, 13, tzinfo=UTC)),
        )
    )
    minute = MinuteOfDrain(
        drain, None, when_of("2031-03-10T13:30", "Europe/Zurich"), None, pl.DataFrame(), period, 480
    )
    capsys.readouterr()
    show_explained(minute, home, as_json=False)
    said = capsys.readouterr().out
    assert "there is nothing to read" in said
    assert "60 min" in said
    show_explained(minute, home, as_json=True)
    facts = json.loads(capsys.readouterr().out)
    assert (facts["flags"], facts["periods"][0]["kind"]) == ([], "no_data")
