"""Files taken out of everything derived, and taken back; files read again; each moves just what rests on it."""

from __future__ import annotations

import shlex
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows.cli import DONE, WRONG_CALL, run
from flows.keeping.withdraw import run_take_back, run_withdraw, withdrawals
from flows.loading.computing import Computed, DeviceBatch, DrainBatch, Frames
from flows.loading.load import Stages, Summary, run_load, run_reread
from flows.loading.request import request_for
from flows.research.extract import run_extract
from flows.research.verify import run_verify
from pipeline.definitions import Decides, Definitions
from pipeline.marts import select
from pipeline.store import Home
from pipeline.store.vault import digest_of
from schemas.derivation import MADE
from schemas.errors import CallError
from schemas.lake import COURSE, MINUTE
from tests.laws.conftest import v1
from tests.mending.ward import ANNA
from tests.support.dying import dying_at
from tests.support.homes import NOW, differences, load, make_home, published
from tests.support.searching import places_of

HAND = """name = "hand"
match = "^clock;session"
delimiter = ";"
site = "farside"
device = "DV-H"

[clock]
format = "%Y-%m-%d %H:%M"
timezone = "Europe/Zurich"

[columns]
clock = "clock"
session = "session"
air_leak = "leak"

[constants]
state = "run"

[units]
air_leak = "mL/min"
"""
BY_HAND = b"clock;session;leak;remark\n" + b"".join(
    f"2031-03-10 08:{minute:02};1;{minute};ok\n".encode() for minute in range(30)
)


def withdraw(home: Home, *files: str, why: str = "wrong device") -> Summary:
    return run_withdraw(home, files, why, request_for(home), NOW)


def take_back(home: Home, *files: str) -> Summary:
    return run_take_back(home, files, request_for(home), NOW)


def ask(home: Home, sql: str) -> list[tuple[object, ...]]:
    return select(home.database, sql, home.lake.root).rows()


def farside_leak(home: Home) -> float | None:
    here = home.lake.scan(MINUTE).filter(pl.col("site") == "farside")
    return here.select(pl.col("air_leak_ml_min").max()).collect().item()


def made(home: Home) -> dict[tuple[str, str], tuple[object, ...]]:
    rows = home.lake.scan(MADE).filter(pl.col("stage") != "database").collect()
    return {row[:2]: row[2:] for row in rows.rows()}


def test_a_withdrawn_file_is_as_if_it_had_never_come_but_for_its_record(
    ward: Home, ward_files: list[Path], tmp_path: Path
) -> None:
    other = make_home(tmp_path / "without")
    load(other, [path for path in ward_files if path.name != "shared.csv"])
    withdraw(ward, "shared.csv")
    ours, theirs = published(ward), published(other)
    (record,) = [row for row in ours["load_file"] if row not in theirs["load_file"]]
    assert "withdrawn" in record
    assert "Withdrawn on 2031-06-01." in record
    for tables in (ours, theirs):
        del tables["load_file"], tables["rejected_row"]  # what it holds stays on record
    assert differences(ours, theirs) == []


def test_taken_back_it_counts_as_before(ward: Home, loaded_ward: Home) -> None:
    withdraw(ward, "shared.csv", "registry.csv", "annotations.csv")
    assert ask(ward, "SELECT count(*) FROM drain WHERE linked") == [(0,)]
    take_back(ward, "shared.csv", "registry.csv", "annotations.csv")
    assert differences(published(ward), published(loaded_ward)) == []
    assert withdrawals(ward) == []


def test_minutes_that_another_export_covers_stay(ward: Home) -> None:
    withdraw(ward, "second.csv.gz")
    assert ask(ward, "SELECT minutes_observed FROM drain_day WHERE minutes_observed > 190") == [(201,)]


def test_only_what_rests_on_the_file_is_computed_again(ward: Home) -> None:
    load(ward, [])
    before, rows = made(ward), ward.lake.scan(COURSE).collect().sort(COURSE.key)
    summary = withdraw(ward, "second.csv.gz")
    assert (summary.devices, summary.drains) == (1, 1)
    moved = {key for key, parts in made(ward).items() if before.get(key) != parts}
    assert {key for key in moved if key[0] == "device"} == {("device", "lakeside:DV-1")}
    others = pl.col("device") != "DV-1"
    assert ward.lake.scan(COURSE).collect().sort(COURSE.key).filter(others).equals(rows.filter(others))


def test_what_changed_is_laid_at_the_file_and_a_lost_drain_too(ward: Home) -> None:
    load(ward, [])
    withdraw(ward, "second.csv.gz")
    assert {row[0] for row in ask(ward, "SELECT cause FROM change")} == {"file"}
    withdraw(ward, "dora.csv")
    assert ask(ward, 'SELECT "column", after, cause FROM change') == [("drain_id", None, "file")]
    withdraw(ward, "registry.csv")
    assert {row[0] for row in ask(ward, "SELECT cause FROM change WHERE \"column\" = 'drain_id'")} == {
        "registry"
    }


def test_the_reason_stays_in_the_private_store(ward: Home) -> None:
    withdraw(ward, "dora.csv", why="was sent for QUIRINUS")
    found = {name.split("/")[0] for name, _ in places_of(ward.root, ["QUIRINUS"])}
    assert found == {"private"}
    assert [(one.name, one.why) for one in withdrawals(ward)] == [("dora.csv", "was sent for QUIRINUS")]


def test_loading_it_again_says_so_and_takes_it_back_only_when_told(
    ward: Home, ward_files: list[Path], capsys: pytest.CaptureFixture[str]
) -> None:
    dora = next(str(path) for path in ward_files if path.name == "dora.csv")
    home = ["--home", str(ward.root)]
    assert run(["withdraw", "dora.csv", *home]) == WRONG_CALL
    assert run(["withdraw", "dora.csv", "--why", "wrong", *home]) == DONE
    said = capsys.readouterr().out.strip().splitlines()[-1]
    way_back = shlex.split(said.removeprefix("To take it back: drainledger "))
    assert way_back == [*home, "withdraw", digest_of(Path(dora).read_bytes())[:12], "--undo"]
    assert run(way_back) == DONE
    assert run(["withdraw", "dora.csv", "--why", "wrong", *home]) == DONE
    assert run(["load", dora, *home]) == DONE
    assert "Withdrawn on" in capsys.readouterr().out
    assert ask(ward, "SELECT count(*) FROM load_file WHERE status = 'withdrawn'") == [(1,)]
    assert run(["load", dora, "--take-back", *home]) == DONE
    assert ask(ward, "SELECT count(*) FROM load_file WHERE status = 'withdrawn'") == [(0,)]


def test_withdrawing_a_copy_says_that_the_original_is_the_same_bytes(
    ward: Home, ward_files: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    dora = next(path for path in ward_files if path.name == "dora.csv")
    copy = tmp_path / "Copy of dora.csv"
    copy.write_bytes(dora.read_bytes())
    home = ["--home", str(ward.root)]
    assert run(["load", str(copy), *home]) == DONE
    capsys.readouterr()
    assert run(["withdraw", copy.name, "--why", "a copy", *home]) == DONE
    said = capsys.readouterr().out
    assert "The same bytes are also" in said
    assert "dora.csv" in said.replace("Copy of dora.csv", "")


def test_a_name_that_means_no_file_or_a_file_twice_withdrawn_is_a_wrong_call(ward: Home) -> None:
    with pytest.raises(CallError, match="no file of that digest or name"):
        withdraw(ward, "nothing.csv")
    withdraw(ward, "dora.csv")
    with pytest.raises(CallError, match="withdrawn already"):
        withdraw(ward, "dora.csv")
    with pytest.raises(CallError, match="is not withdrawn"):
        take_back(ward, "shared.csv")


@pytest.fixture(scope="module")
def withdrawn(loaded_ward: Home, tmp_path_factory: pytest.TempPathFactory) -> Home:
    home = Home(tmp_path_factory.mktemp("withdrawn") / "home")
    shutil.copytree(loaded_ward.root, home.root)
    withdraw(home, "shared.csv", "registry.csv")
    return home


@pytest.mark.parametrize("number", [pytest.param(2, marks=pytest.mark.long), 7, 24])
def test_a_withdrawal_killed_is_finished_or_undone_by_the_next_command(
    number: int, ward: Home, loaded_ward: Home, withdrawn: Home
) -> None:
    home = ward
    with dying_at(number) as seen:
        withdraw(home, "shared.csv", "registry.csv")
    assert len(seen) == number
    load(home, [])
    expected = withdrawn if withdrawals(home) else loaded_ward
    assert differences(published(home), published(expected)) == []


def test_an_extract_is_made_again_and_told_that_it_rests_on_a_withdrawn_file(
    ward: Home, tmp_path: Path
) -> None:
    cohort = tmp_path / "all.toml"
    cohort.write_text('cohort = 1\nname = "all"\ntitle = "All"\n')
    load(ward, [])
    run_extract(ward, cohort, tmp_path / "out")
    withdraw(ward, "shared.csv")
    for from_raw in (False, True):
        verdict = run_verify(ward, tmp_path / "out", from_raw=from_raw)
        assert verdict.same
        assert any("withdrawn on 2031-06-01" in remark for remark in verdict.beside)


def test_a_corrected_ward_moves_its_drain_and_no_device(
    ward: Home, ward_files: list[Path], tmp_path: Path
) -> None:
    load(ward, [])
    registry = next(path for path in ward_files if path.name == "registry.csv").read_text()
    corrected = tmp_path / "corrected.csv"
    corrected.write_text(registry.replace("2031-04-01T", "2031-04-02T").replace("ward 5", "ward 6"))
    summary = load(ward, [corrected])
    assert (summary.devices, summary.drains) == (0, 1)
    changed = ask(ward, 'SELECT "column", before, after, cause FROM change')
    assert changed == [("unit", "ward 5", "ward 6", "registry")]


def test_a_late_file_moves_its_device_and_its_drain_alone(ward: Home, tmp_path: Path) -> None:
    load(ward, [])
    before = made(ward)
    late = tmp_path / "late.csv"
    late.write_bytes(v1("DV-9", 80, 120, "2031-03-10T22:00:00+01:00", site="hillside", leak=12))
    summary = load(ward, [late])
    assert (summary.devices, summary.drains) == (1, 1)
    moved = {key for key, parts in made(ward).items() if before.get(key) != parts}
    assert {key for key in moved if key[0] == "device"} == {("device", "hillside:DV-9")}


def test_a_figure_that_moves_makes_anew_what_rests_on_it(ward: Home) -> None:
    load(ward, [])
    definitions = request_for(ward).definitions
    for section, figure, value, computed in (
        ("statistics", "level", 0.9, (0, 0)),
        ("readiness", "log_within", 5.0, (0, 5)),
        ("tilted", "limit", 11.0, (3, 5)),
    ):
        moved = getattr(definitions, section).model_copy(update={figure: value})
        definitions = definitions.model_copy(update={section: moved})
        summary = run_load(ward, [], replace(request_for(ward), definitions=definitions), NOW)
        assert (summary.devices, summary.drains) == computed
        assert summary.published


def test_a_figure_that_cells_are_read_by_has_the_files_read_again(ward: Home) -> None:
    request = request_for(ward)
    plausible = request.definitions.plausible.model_copy(update={"flow_most": 5000.0})
    definitions = request.definitions.model_copy(update={"plausible": plausible})
    run_load(ward, [], replace(request, definitions=definitions), NOW)
    leak = ward.lake.scan(MINUTE).select(pl.col("air_leak_ml_min").max()).collect().item()
    assert leak < 5000 < ANNA


class _Watched(Definitions):
    """Definitions that refuse to show what a stage says it does not look at."""

    def __getattribute__(self, name: str) -> object:
        if name in Definitions.model_fields and name not in _allowed:
            raise AssertionError(f"[{name}] is looked at, and what rests on it would not be made anew")
        return super().__getattribute__(name)


_allowed: set[str] = set(Definitions.model_fields)


def test_each_stage_looks_at_no_other_figures_than_those_it_is_made_anew_for(
    ward: Home, ward_files: list[Path]
) -> None:
    request = request_for(ward)
    every = set(Definitions.model_fields)
    watched = _Watched.model_validate(request.definitions.model_dump())

    def within(batches: Iterable[DeviceBatch] | Iterable[DrainBatch]) -> Iterator[tuple[Any, Computed]]:
        def computed(batch: DeviceBatch | DrainBatch) -> Frames:
            of_devices = isinstance(batch, DeviceBatch)
            decides = Decides.COURSE if of_devices else Decides.COURSE | Decides.DRAINS
            _allowed.intersection_update(Definitions.deciding(decides))
            try:
                return replace(batch, definitions=watched).frames()
            finally:
                _allowed.update(every)

        for batch in batches:
            yield batch, partial(computed, batch)

    stages = Stages(ahead=within)
    level = request.definitions.tilted.model_copy(update={"limit": 12.0})
    moved = request.definitions.model_copy(update={"tilted": level})
    summary = run_load(ward, [], replace(request, definitions=moved), NOW, stages=stages)
    assert (summary.devices, summary.drains) == (3, 5)


def test_a_file_that_waits_for_a_profile_is_read_once_there_is_one(ward: Home, tmp_path: Path) -> None:
    path = tmp_path / "by hand.csv"
    path.write_bytes(BY_HAND)
    load(ward, [path])
    assert ask(ward, "SELECT count(*) FROM data_quality WHERE finding = 'file_waiting'") == [(2,)]
    profiles = ward.root / "profiles"
    profiles.mkdir()
    (profiles / "hand.toml").write_text(HAND)
    summary = load(ward, [])
    assert sorted((o.status, o.again_for) for o in summary.again)[0] == ("loaded", "shelf")
    assert farside_leak(ward) == 29
    assert ask(
        ward, "SELECT detail FROM data_quality WHERE finding = 'columns_ignored' AND site = 'farside'"
    ) == [("profile hand does not name up to 1 column of 1 file",)]
    cohort = tmp_path / "all.toml"
    cohort.write_text('cohort = 1\nname = "all"\ntitle = "All"\n')
    run_extract(ward, cohort, tmp_path / "out")
    # Mended: the leak was in L/min all along.
    (profiles / "hand.toml").write_text(HAND.replace('"mL/min"', '"L/min"'))
    summary = load(ward, [])
    again = sorted((o.status, o.again_for) for o in summary.again)
    assert again == [("loaded", "profile"), ("rejected", "shelf")]  # the other waits on
    assert (summary.devices, summary.drains) == (1, 1)
    assert farside_leak(ward) == 20_000  # what would be more is no measurement
    assert load(ward, []).again == ()
    # What was made before is made again from the file as it was read before.
    assert run_verify(ward, tmp_path / "out", from_raw=True).same


def test_a_file_read_with_a_profile_of_its_own_keeps_it(ward: Home, tmp_path: Path) -> None:
    path, profile = tmp_path / "by hand.csv", tmp_path / "hand.toml"
    path.write_bytes(BY_HAND)
    profile.write_text(HAND)
    run_load(ward, [path], request_for(ward, str(profile)), NOW)
    (ward.root / "profiles").mkdir()
    (ward.root / "profiles" / "hand.toml").write_text(HAND.replace("farside", "nearside"))
    load(ward, [])
    assert ask(ward, "SELECT count(*) FROM drain WHERE site = 'farside'") == [(1,)]
    run_reread(ward, ["by hand.csv"], request_for(ward, "hand"), NOW)
    assert ask(ward, "SELECT DISTINCT site FROM drain WHERE site LIKE '%arside'") == [("nearside",)]
