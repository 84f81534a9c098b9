"""What does not add up is told by a load, a night and `status` alike: the same findings, counted the same."""

from __future__ import annotations

import json
import shlex
from collections import Counter
from pathlib import Path

import pytest

from flows.cli import run
from flows.nights.night_settings import NightSettings
from flows.nights.nightly import run_night
from flows.show.as_json import json_text
from pipeline.store import Home
from schemas.findings import FINDINGS
from tests.flows.loading.test_annotations_published import LOGS, NOTES
from tests.support.homes import load, make_home
from tests.support.nights import NIGHT, export, put

# A note that the log contradicts, a clock decades ahead, exports of one device in two zones, a layout of nobody.
FILES = {
    **{f"{place}.csv": text for place, text in enumerate(LOGS)},
    "notes.csv": NOTES,
    "late.csv": export("DV-3").replace("2031-", "2087-"),
    "zone.csv": export("DV-1", day=12).replace("Europe/Zurich", "America/New_York"),
    "odd.csv": "Zeit;Druck\n1;2\n",
}
PLANTED = {"annotation_against_log", "dates_far_off", "time_zones_differ", "file_waiting"}


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The folder with the files, and the home they were loaded into."""
    folder, root = tmp_path_factory.mktemp("in"), tmp_path_factory.mktemp("home") / "the ledger"
    for name, text in FILES.items():
        put(folder, name, text)
    load(make_home(root), [folder])
    return folder, root


def in_status(root: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, int]:
    capsys.readouterr()
    run(["status", "--json", "--home", str(root)])
    count: Counter[str] = Counter()
    for row in json.loads(capsys.readouterr().out)["findings"]:
        count[row["finding"]] += row["findings"]
    return dict(count)


def test_a_load_names_every_finding_and_the_call_that_lists_just_those(
    loaded: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, root = loaded
    known = in_status(root, capsys)
    assert set(FINDINGS) >= set(known) >= PLANTED
    run(["load", str(folder), "--home", str(root)])
    (line,) = (one for one in capsys.readouterr().out.splitlines() if one.startswith("What does not add up"))
    assert dict(_pairs(line)) == known
    call = shlex.split(line.partition("all of them: ")[2])
    run([*call[1:], "--format", "json"])
    assert Counter(row["finding"] for row in json.loads(capsys.readouterr().out)) == known


def _pairs(line: str) -> list[tuple[str, int]]:
    told = line.partition(": ")[2].partition(". ")[0]
    return [(name, int(number)) for number, name in (one.split() for one in told.split(", "))]


def test_a_script_is_told_the_same(loaded: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    folder, root = loaded
    known = in_status(root, capsys)
    run(["load", str(folder), "--json", "--home", str(root)])
    assert json.loads(capsys.readouterr().out)["findings"] == known


def test_a_night_says_them_in_its_line_and_to_a_script(
    loaded: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, root = loaded
    known = in_status(root, capsys)
    done = run_night(Home(root), NightSettings(landing=folder), NIGHT, wait=lambda seconds: None)
    told = ", ".join(f"{number} {finding}" for finding, number in sorted(known.items()))
    assert f"; what does not add up: {told}; " in done.line()
    assert json.loads(json_text(done.facts()))["findings"] == known
