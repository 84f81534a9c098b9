"""A report is a folder of pages: the same for the same ledger, never in the place of anything else."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from flows import cli
from flows.loading.load import run_load
from flows.loading.request import request_for
from flows.looking.report import run_report
from pipeline.marts import select
from pipeline.store import Home
from schemas.errors import CallError, InputError, LedgerError
from tests.support.homes import make_home

NOW = datetime(2031, 6, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def home(samples: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Home:
    home = make_home(tmp_path_factory.mktemp("reported") / "home")
    run_load(home, samples, request_for(home), NOW)
    return home


@pytest.fixture(scope="module")
def drains(home: Home) -> list[str]:
    ids: list[str] = select(home.database, "SELECT drain_id FROM drain ORDER BY 1", home.lake.root)[
        "drain_id"
    ].to_list()
    return ids


@pytest.fixture
def run(home: Home) -> Callable[..., int]:
    return lambda *arguments: cli.run(["--home", str(home.root), "report", *map(str, arguments)])


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_same_ledger_gives_the_same_bytes(home: Home, tmp_path: Path) -> None:
    run_report(home, tmp_path / "one", most=1)
    run_report(home, tmp_path / "other", most=1)
    assert bytes_of(tmp_path / "one") == bytes_of(tmp_path / "other")


@pytest.mark.long
def test_another_loading_of_the_same_files_gives_the_same_page(
    home: Home, samples: list[Path], tmp_path: Path
) -> None:
    again = make_home(tmp_path / "again")
    run_load(again, samples[::-1], request_for(again), datetime(2033, 1, 1, tzinfo=UTC))
    for name, ledger in (("one", home), ("other", again)):
        run_report(ledger, tmp_path / name, most=0)
    assert bytes_of(tmp_path / "one") == bytes_of(tmp_path / "other")


def test_an_earlier_report_is_replaced_and_leaves_nothing(
    home: Home, drains: list[str], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    run_report(home, out, drains=drains[:1], most=0)
    assert len(list((out / "drains").iterdir())) == 1
    made = run_report(home, out, most=0)
    assert made.drains == {}
    assert sorted(bytes_of(out)) == ["index.html", "report.json"]


@pytest.mark.parametrize("strange", ["notes.txt", "drains/other.html"])
def test_a_folder_with_anything_else_is_refused_and_left_alone(
    home: Home, tmp_path: Path, strange: str
) -> None:
    out = tmp_path / "out"
    run_report(home, out, most=0)
    (out / strange).parent.mkdir(exist_ok=True)
    (out / strange).write_text("mine")
    before = bytes_of(out)
    with pytest.raises(CallError, match="not an earlier report"):
        run_report(home, out, most=0)
    assert bytes_of(out) == before


def test_what_a_killed_report_had_begun_is_swept_by_the_next(home: Home, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / ".making-killed" / "drains").mkdir(parents=True)
    (out / ".making-killed" / "index.html").write_text("half")
    run_report(home, out, most=0)
    assert sorted(path.name for path in out.iterdir()) == ["index.html", "report.json"]


def test_a_folder_that_only_looks_like_a_report_is_refused(home: Home, tmp_path: Path) -> None:
    (tmp_path / "report.json").write_text('{"pages": 3}')
    with pytest.raises(CallError, match="not an earlier report"):
        run_report(home, tmp_path, most=0)


@pytest.mark.parametrize("place", [".", "lake", "raw/pages", "private"])
def test_pages_do_not_go_where_the_ledger_keeps_its_own(home: Home, place: str) -> None:
    with pytest.raises(CallError, match="keeps its own"):
        run_report(home, home.root / place, most=0)


def test_a_file_is_no_folder(home: Home, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(CallError, match="is a file"):
        run_report(home, tmp_path / "file", most=0)


def test_a_folder_that_cannot_be_written_is_said_in_a_sentence(home: Home) -> None:
    with pytest.raises(LedgerError, match="cannot be written"):
        run_report(home, Path("/proc/no/pages"), most=0)


def test_nothing_published_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nothing is published yet"):
        run_report(make_home(tmp_path / "home"), tmp_path / "out", most=0)
    assert not (tmp_path / "out").exists()


def test_a_report_waits_for_no_load_and_says_so(home: Home, tmp_path: Path) -> None:
    with home.locked(), pytest.raises(LedgerError, match="load is running"):
        run_report(home, tmp_path / "out", most=0)


def test_a_drain_is_named_by_the_beginning_of_its_id(
    run: Callable[..., int], drains: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = [drains[0][:8], drains[-1][:8], drains[0]]
    assert run("--out", tmp_path / "out", *(a for d in asked for a in ("--drain", d)), "--json") == cli.DONE
    record = json.loads(capsys.readouterr().out)
    assert list(record["drains"]) == [drains[0], drains[-1]]
    assert all(Path(path).is_file() for path in record["drains"].values())
    assert "asked for" in Path(record["index"]).read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--drain", "ZZZZ"], "no drain begins with 'ZZZZ'"),
        (["--drain", ""], "no drain begins with ''"),
        (["--drain", "D"], "drains begin with 'D'"),
        (["--rule", "full_moon"], "no chart rule 'full_moon'; there are beyond_limits, long_run"),
        (["--most", "-1"], "not a count"),
    ],
)
def test_a_wrong_call_is_said_in_a_sentence_and_writes_nothing(
    run: Callable[..., int],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    said: str,
) -> None:
    assert run("--out", tmp_path / "out", *arguments) == cli.WRONG_CALL
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_the_drains_chosen_stand_out_and_no_more_than_asked_for(
    run: Callable[..., int], home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("--out", tmp_path / "out", "--most", 2, "--json") == cli.DONE
    chosen = list(json.loads(capsys.readouterr().out)["drains"])
    leaked = select(
        home.database, "SELECT drain_id FROM drain WHERE prolonged_leak = 'yes'", home.lake.root
    ).to_series()
    assert len(chosen) == 2
    assert set(chosen) & set(leaked)
    html = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "a leak beyond the threshold" in html
    assert "Chosen: up to 2 drains" in html


def test_a_lake_that_lost_a_file_still_gets_the_cohorts_page(home: Home, tmp_path: Path) -> None:
    shutil.copytree(home.root, tmp_path / "home")
    copy = Home(tmp_path / "home")
    for part in (copy.root / "lake" / "course").rglob("*.parquet"):
        part.chmod(0o600)
        part.unlink()
    made = run_report(copy, tmp_path / "out", most=0)
    assert made.index.is_file()
