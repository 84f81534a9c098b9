"""After each load `change` says which drains' numbers moved and why: each cause, end to end."""

from __future__ import annotations

import dataclasses
import shutil

import polars as pl
import pytest

from flows.keeping.withdraw import run_withdraw
from flows.loading import computing, publishing, stale
from flows.loading.load import run_load
from flows.loading.request import request_for
from pipeline.definitions import load_definitions
from pipeline.marts import select
from pipeline.store import Home
from tests.support.homes import NOW, make_home

_HEADER = (
    "record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,air_leak,"
    "canister_volume,tilt,battery,mains,alerts"
)
REGISTRY = """# drain-registry: 1
# exported_at: 2031-04-01T06:00:00+02:00
drain_key,patient_key,site,unit,tube_in_at,tube_out_at,uses
K1,P1,lakeside,ward 4,2031-03-10T08:00:00+01:00,2031-03-10T15:00:00+01:00,DV-1/1
K2,P2,lakeside,ward 5,2031-03-10T08:00:00+01:00,2031-03-10T15:00:00+01:00,DV-2/1
"""
CLAMP = """# drain-annotations: 1
# exported_at: 2031-04-01T06:00:00+02:00
drain_key,site,started_at,ended_at,kind,author_role,note
K1,lakeside,2031-03-10T09:00:00+01:00,2031-03-10T10:00:00+01:00,clamp_trial,nurse,
"""


def log(device: str, first: int, last: int, exported: str, leak: int = 60) -> str:
    """Minutes first..last of 10 March 2031 from 08:00: a leak (mL/min), tilted by 8 degrees now and then."""
    rows = [
        f"{1000 + m},2031-03-10T{8 + m // 60:02}:{m % 60:02},1,run,-20,-20,-22,-18,{leak},{m // 4},"
        f"{8 if m % 50 == 7 else 1},90,1,"
        for m in range(first, last + 1)
    ]
    head = [
        "# drain-log: 1",
        "# site: lakeside",
        f"# device: {device}",
        f"# exported_at: {exported}",
        "# timezone: Europe/Zurich",
        _HEADER,
    ]
    return "\n".join([*head, *rows, f"# end: rows={len(rows)}"]) + "\n"


class Ledger:
    """A home, and a folder to load from."""

    def __init__(self, folder) -> None:
        there = (folder / "home").exists()
        self.home = Home(folder / "home") if there else make_home(folder / "home")
        self.inbox = folder / "inbox"
        self.inbox.mkdir()

    def load(self, *texts: str, **request) -> pl.DataFrame:
        """Load some files and say what changed."""
        paths = []
        for text in texts:
            path = self.inbox / f"{len(list(self.inbox.iterdir()))}.csv"
            path.write_text(text)
            paths.append(path)
        run_load(self.home, paths, dataclasses.replace(request_for(self.home), **request), NOW)
        return self.changed()

    def changed(self) -> pl.DataFrame:
        return self.ask("FROM change")

    def ask(self, sql: str) -> pl.DataFrame:
        return select(self.home.database, sql, self.home.lake.root)

    def drain_in(self, unit: str) -> str:
        return self.ask(f"SELECT drain_id FROM drain WHERE unit = '{unit}'")["drain_id"].item()


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """Two drains on two devices, two hours of log each."""
    folder = tmp_path_factory.mktemp("loaded")
    export = "2031-03-10T12:00:00+01:00"
    first = Ledger(folder).load(log("DV-1", 0, 119, export), log("DV-2", 0, 119, export), REGISTRY)
    assert first.is_empty()  # there is nothing it could have changed
    return folder / "home"


@pytest.fixture
def ledger(loaded, tmp_path):
    """A copy of it for each test to change."""
    shutil.copytree(loaded, tmp_path / "home")
    return Ledger(tmp_path)


def columns(changed: pl.DataFrame) -> set[str]:
    return set(changed["column"])


def test_a_later_export_moves_its_own_drain_and_files_are_the_cause(ledger):
    one = ledger.drain_in("ward 4")
    changed = ledger.load(log("DV-1", 100, 299, "2031-03-10T16:00:00+01:00"))
    assert set(changed["drain_id"]) == {one}
    assert set(changed["cause"]) == {"file"}
    moved = {row[0]: row[1:] for row in changed.select("column", "before", "after").rows()}
    assert moved["minutes_observed"] == ("120", "300")
    assert moved["ended_at"] == ("2031-03-10T08:59:00Z", "2031-03-10T11:59:00Z")


def test_the_same_files_again_leave_the_last_change_standing(ledger):
    later = log("DV-1", 100, 299, "2031-03-10T16:00:00+01:00")
    assert ledger.load(later).equals(ledger.load(later))


def test_a_corrected_registry_row_moves_its_drain_and_the_registry_is_the_cause(ledger):
    two = ledger.drain_in("ward 5")
    corrected = REGISTRY.replace("2031-04-01", "2031-04-02").replace("ward 5", "ward 6")
    changed = ledger.load(corrected)
    assert changed.rows() == [(two, "unit", "ward 5", "ward 6", "registry")]


def test_an_annotation_moves_its_drain_and_is_the_cause(ledger):
    one = ledger.drain_in("ward 4")
    # A leak that the log shows through all of a clamp would stand, and nothing move.
    ledger.load(log("DV-1", 0, 119, "2031-03-10T13:00:00+01:00", leak=15))
    changed = ledger.load(CLAMP)
    assert set(changed["drain_id"]) == {one}
    assert set(changed["cause"]) == {"annotation"}
    assert "leak_total_l" in columns(changed)


@pytest.mark.parametrize(
    "with_it",
    [
        REGISTRY.replace("2031-04-01", "2031-04-02").replace("ward 4", "ward 9"),
        CLAMP,
    ],
)
def test_files_that_come_with_a_registry_or_an_annotation_are_the_cause(ledger, with_it):
    # Minutes that were not there before can come from nowhere else.
    one = ledger.drain_in("ward 4")
    changed = ledger.load(log("DV-1", 100, 299, "2031-03-10T16:00:00+01:00"), with_it)
    moved = {row[0]: row[1:] for row in changed.select("column", "before", "after", "cause").rows()}
    assert set(changed["drain_id"]) == {one}
    assert moved["minutes_observed"] == ("120", "300", "file")
    assert set(changed["cause"]) == {"file"}


def test_in_one_night_each_drain_has_its_own_cause(ledger):
    one, two = ledger.drain_in("ward 4"), ledger.drain_in("ward 5")
    corrected = REGISTRY.replace("2031-04-01", "2031-04-02").replace("ward 5", "ward 6")
    changed = ledger.load(log("DV-1", 100, 299, "2031-03-10T16:00:00+01:00"), corrected, CLAMP)
    assert set(changed.select("drain_id", "cause").unique().rows()) == {(one, "file"), (two, "registry")}


def test_files_of_the_device_s_next_patient_are_not_the_cause_for_this_one(ledger):
    one = ledger.drain_in("ward 4")
    later = log("DV-1", 500, 559, "2031-03-10T20:00:00+01:00").replace(",1,run,", ",2,run,")
    corrected = REGISTRY.replace("2031-04-01", "2031-04-02").replace("ward 4", "ward 9")
    changed = ledger.load(later, corrected)
    assert changed.filter(pl.col("drain_id") == one).rows() == [(one, "unit", "ward 4", "ward 9", "registry")]
    (other,) = set(changed["drain_id"]) - {one}
    assert changed.filter(pl.col("drain_id") == other)["cause"].to_list() == ["file"]


def test_a_registry_that_names_another_device_is_the_cause_though_the_files_are_others(ledger):
    one = ledger.drain_in("ward 4")
    ledger.load(log("DV-3", 0, 59, "2031-03-10T12:00:00+01:00"))
    changed = ledger.load(REGISTRY.replace("2031-04-01", "2031-04-02").replace("DV-1/1", "DV-3/1"))
    moved = {row[0]: row[1:] for row in changed.filter(pl.col("drain_id") == one).drop("drain_id").rows()}
    assert moved["minutes_observed"] == ("120", "60", "registry")
    assert set(changed["cause"]) == {"registry"}


def test_a_registry_row_with_an_annotation_goes_before_it(ledger):
    one = ledger.drain_in("ward 4")
    corrected = REGISTRY.replace("2031-04-01", "2031-04-02").replace("ward 4", "ward 9")
    changed = ledger.load(corrected, CLAMP)
    assert set(changed.select("drain_id", "cause").unique().rows()) == {(one, "registry")}


def test_a_changed_definition_is_the_cause_for_every_drain_it_moves(ledger):
    shipped = load_definitions()
    stricter = shipped.model_copy(update={"tilted": shipped.tilted.model_copy(update={"limit": 5.0})})
    changed = ledger.load(definitions=stricter)
    assert changed.filter(pl.col("column") == "tilted_minutes").height == 2
    assert set(changed["cause"]) == {"definition"}


def test_changed_code_is_the_cause_for_what_it_computes_otherwise(ledger, monkeypatch):
    for module in (stale, publishing):
        monkeypatch.setattr(module, "code_digest", lambda: "of another version")
    assert ledger.load().is_empty()  # other code, same numbers
    usual = computing.summarise

    def otherwise(*frames):
        tables = usual(*frames)
        return dataclasses.replace(tables, drain=tables.drain.with_columns(leak_peak_ml_min=pl.lit(61.0)))

    monkeypatch.setattr(computing, "summarise", otherwise)
    for module in (stale, publishing):
        monkeypatch.setattr(module, "code_digest", lambda: "of a third")
    changed = ledger.load()
    assert changed.select("column", "before", "after", "cause").unique().rows() == [
        ("leak_peak_ml_min", "60.0", "61.0", "code")
    ]
    assert changed.height == 2


def test_a_withdrawn_log_is_a_change_of_files(ledger):
    one = ledger.drain_in("ward 4")
    later = log("DV-1", 100, 299, "2031-03-10T16:00:00+01:00")
    ledger.load(later)
    newest = ledger.ask(
        "SELECT file_sha256 FROM load_file WHERE device = 'DV-1' ORDER BY exported_at DESC LIMIT 1"
    )["file_sha256"].item()
    run_withdraw(ledger.home, [newest], "of another patient", request_for(ledger.home), NOW)
    changed = ledger.changed()
    assert set(changed["drain_id"]) == {one}
    assert set(changed["cause"]) == {"file"}
    moved = {row[0]: row[1:] for row in changed.select("column", "before", "after").rows()}
    assert moved["minutes_observed"] == ("300", "120")


def test_a_drain_that_a_registry_claims_comes_and_the_unclaimed_one_goes(ledger):
    brought = ledger.load(log("DV-3", 0, 59, "2031-03-10T12:00:00+01:00"))
    (unclaimed,) = brought["drain_id"].to_list()
    assert brought.rows() == [(unclaimed, "drain_id", None, unclaimed, "file")]
    row = "K3,P3,lakeside,ward 7,2031-03-10T08:00:00+01:00,2031-03-10T15:00:00+01:00,DV-3/1\n"
    changed = ledger.load(REGISTRY.replace("2031-04-01", "2031-04-03") + row)
    claimed = ledger.drain_in("ward 7")
    expected = [
        (claimed, "drain_id", None, claimed, "registry"),
        (unclaimed, "drain_id", unclaimed, None, "registry"),
    ]
    assert changed.rows() == sorted(expected)


def test_moving_a_baseline_or_a_level_moves_no_drain(ledger):
    (ledger.home.root / "baselines.toml").write_text(
        '[[baseline]]\nfrom = "2031-03"\nthrough = "2031-03"\nwhy = "a month"\n'
    )
    shipped = load_definitions()
    wider = shipped.model_copy(update={"statistics": shipped.statistics.model_copy(update={"level": 0.9})})
    assert ledger.load(definitions=wider).is_empty()
    assert ledger.ask("FROM chart_baseline")["why"].to_list() == ["a month"]
    assert ledger.ask("SELECT figure('statistics.level') AS level")["level"].item() == 0.9
