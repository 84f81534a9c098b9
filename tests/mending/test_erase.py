"""Data taken out for good: searched for in every byte, kept from coming back, finished when killed."""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from flows.cli import DONE, FAILED, WRONG_CALL, run
from flows.keeping.erase import Erased, run_erase, run_erase_again
from flows.keeping.erasure_plan import Target
from flows.keeping.withdraw import run_withdraw
from flows.loading.load import run_rebuild
from flows.loading.request import request_for
from flows.research.extract import run_extract
from flows.research.verify import run_verify
from pipeline.marts import select
from pipeline.store import Home
from pipeline.store.erasures import read_erasures
from schemas.errors import CallError, InputError
from schemas.lake import LOAD_FILE, MINUTE
from tests.laws.conftest import v1
from tests.mending.ward import ANNA, ANNA_KEYS, ANNOTATIONS, BERT, CARA, REGISTRY, shared_log
from tests.soak.mutants import mutate
from tests.support.dying import dying_at
from tests.support.homes import NOW, differences, load, published
from tests.support.searching import places_of

ANNA_ASKS = Target("patient", "lakeside", "PAT-ANNA")
# Keys, and what only Anna's minutes or the shared log's preamble hold, in every form the home may have them.
TRACES = [*ANNA_KEYS, str(ANNA), "HOUSEMAN"]
CORRECTED = (4001.5, 4002.5)  # not whole: names of files hold groups of four digits that begin with a 4


def erase(home: Home, target: Target = ANNA_ASKS) -> Erased:
    return run_erase(home, target, "asked for by letter", request_for(home), NOW)


@pytest.fixture(scope="module")
def erased(loaded_ward: Home, tmp_path_factory: pytest.TempPathFactory) -> Home:
    home = Home(tmp_path_factory.mktemp("erased") / "home")
    shutil.copytree(loaded_ward.root, home.root)
    erase(home)
    return home


def test_the_search_finds_what_is_there(loaded_ward: Home) -> None:
    found = places_of(loaded_ward.root, TRACES)
    assert {word for _, word in found} == set(TRACES)
    kinds = {name.split("/")[0] for name, _ in found}
    assert {"raw", "lake", "private", "drainledger.duckdb"} <= kinds
    assert any("_delta_log" in name for name, _ in found)


def test_nothing_of_the_patient_is_left_in_any_byte_of_the_home(erased: Home) -> None:
    assert places_of(erased.root, TRACES) == []


def test_the_neighbours_in_the_same_files_stay_as_they_were(erased: Home, loaded_ward: Home) -> None:
    ask = f"""
        SELECT d.unit, min(m.minute), max(m.minute), count(m.air_leak_ml_min)
        FROM drain AS d JOIN minute AS m USING (drain_id)
        WHERE m.air_leak_ml_min IN ({BERT}, {CARA})
        GROUP BY ALL ORDER BY ALL
    """
    after, before = (select(home.database, ask, home.lake.root) for home in (erased, loaded_ward))
    assert after.height == 2
    # Bert's and Cara's minutes between tube in and out; the use is named by its first minute, Bert's.
    assert after.equals(before)


def test_the_same_files_again_do_not_bring_it_back_and_say_so(
    erased: Home, ward_files: list[Path], tmp_path: Path
) -> None:
    home = Home(tmp_path / "home")
    shutil.copytree(erased.root, home.root)
    summary = load(home, ward_files)
    assert not summary.published or differences(published(home), published(erased)) == []
    assert places_of(home.root, TRACES) == []
    remarks = [o.remark for o in summary.outcomes if o.remark]
    assert sum("nothing of it was taken in" in remark for remark in remarks) == 3
    assert "150 of its rows had been erased from this ledger and were not taken in." in remarks


def test_a_later_export_of_the_device_does_not_bring_it_back(erased: Home, tmp_path: Path) -> None:
    home = Home(tmp_path / "home")
    shutil.copytree(erased.root, home.root)
    # More of Anna's session than the ledger ever had, and a new session behind it.
    late, new = tmp_path / "late.csv", tmp_path / "new.csv"
    late.write_bytes(v1("DV-1", 150, 400, "2031-03-10T18:00:00+01:00", leak=ANNA))
    new.write_bytes(v1("DV-1", 500, 560, "2031-03-10T19:00:00+01:00", session=2, leak=31))
    summary = load(home, [late, new])
    assert places_of(home.root, TRACES) == []
    assert [o.status for o in summary.outcomes] == ["erased", "loaded"]
    assert select(home.database, "SELECT count(*) FROM drain", home.lake.root).item() == 4


@pytest.mark.long
def test_erasing_before_or_after_a_file_comes_is_the_same(
    another: Callable[[], Home], tmp_path: Path
) -> None:
    log = tmp_path / "more.csv"
    text = v1("DV-1", 120, 300, "2031-03-10T14:00:00+01:00", leak=ANNA).decode()
    log.write_text(text.replace("1280,2031-03-10T12:40,1,", "1280,2031-03-10T12:40,2,"))
    one, other = another(), another()
    erase(one)
    load(one, [log])
    load(other, [log])
    erase(other)
    assert differences(published(one), published(other)) == []


def test_the_record_names_nobody_and_counts(erased: Home) -> None:
    (record,) = read_erasures(erased.private)
    told = (erased.private / "erased" / f"{record.name}.json").read_text()
    for word in (*ANNA_KEYS, "DV-1", "DV-2", "lakeside", "2031-03-10", "T10:00"):
        assert word not in told
    assert record.done
    assert record.files == ()
    assert record.counts["drains"] == 2
    assert record.counts["rows"] == 201 + 140 + 149  # both exports of hers, and hers of the shared one


def test_the_published_changes_do_not_name_the_erased_drains(erased: Home, loaded_ward: Home) -> None:
    ask = "SELECT drain_id FROM drain"
    gone = set(select(loaded_ward.database, ask, loaded_ward.lake.root)["drain_id"]) - set(
        select(erased.database, ask, erased.lake.root)["drain_id"]
    )
    assert len(gone) == 2
    for name in gone:
        assert places_of(erased.root, [name]) == []


def test_a_dry_run_changes_nothing(ward: Home, capsys: pytest.CaptureFixture[str]) -> None:
    before = {p: p.stat().st_mtime_ns for p in ward.root.rglob("*") if p.is_file() and p.name != ".lock"}
    said = ["erase", "--patient", "PAT-ANNA", "--site", "lakeside", "--dry-run", "--home", str(ward.root)]
    assert run(said) == DONE
    out = capsys.readouterr().out
    assert "490 rows of logs" in out
    assert "Nothing was changed." in out
    after = {p: p.stat().st_mtime_ns for p in ward.root.rglob("*") if p.is_file() and p.name != ".lock"}
    assert {p: t for p, t in after.items() if "logs" not in p.parts and p.name != "runs.jsonl"}.items() >= {
        p: t for p, t in before.items() if "logs" not in p.parts and p.name != "runs.jsonl"
    }.items()


def test_a_reason_that_names_the_patient_is_refused(ward: Home) -> None:
    with pytest.raises(CallError, match="names an erased key"):
        run_erase(ward, ANNA_ASKS, "letter of PAT-ANNA", request_for(ward), NOW)
    assert read_erasures(ward.private) == []


@pytest.mark.long
def test_a_row_that_was_corrected_to_another_patient_goes_and_the_drain_stays(
    ward: Home, ward_files: list[Path], tmp_path: Path
) -> None:
    registry = next(path for path in ward_files if path.name == "registry.csv").read_text()
    corrected = tmp_path / "corrected.csv"
    corrected.write_text(
        registry.replace("2031-04-01T", "2031-04-02T").replace("TUBE-C1,PAT-CARA", "TUBE-C1,PAT-DINA")
    )
    load(ward, [corrected])
    erase(ward, Target("patient", "lakeside", "PAT-CARA"))
    assert places_of(ward.root, ["PAT-CARA"]) == []
    assert select(
        ward.database, "SELECT leak_peak_ml_min FROM drain WHERE unit = 'ward 5'", ward.lake.root
    ).rows() == [(float(CARA),)]


def test_nobody_of_that_key_is_said(ward: Home, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(InputError, match="no patient of that key is known at lakeside"):
        erase(ward, Target("patient", "lakeside", "PAT-ZOE"))
    assert run(["erase", "--patient", "PAT-ANNA", "--why", "x", "--home", str(ward.root)]) == WRONG_CALL
    assert "--site" in capsys.readouterr().err


def test_one_drain_of_a_patient_leaves_the_other(ward: Home) -> None:
    erase(ward, Target("drain", "lakeside", "TUBE-A1"))
    assert places_of(ward.root, ["TUBE-A1"]) == []
    rows = select(ward.database, "SELECT count(*) FROM minute WHERE air_leak_ml_min = 7317.5", ward.lake.root)
    assert rows.item() == 119  # of the shared device; one row cannot be read


def test_an_unlinked_drain_is_erased_by_its_published_name(ward: Home) -> None:
    ask = "SELECT drain_id FROM drain WHERE NOT linked"
    name = select(ward.database, ask, ward.lake.root).item()
    erase(ward, Target("drain", None, name))
    assert places_of(ward.root, ["1559", "1559.0", name]) == []


def test_old_data_go_by_the_day_they_ended(ward: Home) -> None:
    assert erase(ward, Target("age", before=NOW - timedelta(days=365))).record is None
    assert read_erasures(ward.private) == []
    erase(ward, Target("age", before=NOW - timedelta(days=30)))
    assert select(ward.database, "SELECT count(*) FROM drain", ward.lake.root).item() == 0
    assert places_of(ward.root, [*TRACES, str(BERT), f"{CARA}.0", "PAT-BERT", "TUBE-C1"]) == []


def test_a_withdrawn_file_and_its_reason_are_erased_too(ward: Home) -> None:
    run_withdraw(ward, ["second.csv.gz"], "belongs to PAT-ANNA", request_for(ward), NOW)
    erase(ward)
    assert places_of(ward.root, TRACES) == []


@pytest.mark.parametrize("number", [pytest.param(9, marks=pytest.mark.long), 75])
def test_an_erasure_killed_is_finished_by_the_next_command(number: int, ward: Home, erased: Home) -> None:
    with dying_at(number) as seen:
        erase(ward)
    assert len(seen) == number
    load(ward, [])
    if not read_erasures(ward.private):
        erase(ward)
    assert places_of(ward.root, TRACES) == []
    assert differences(published(ward), published(erased)) == []
    assert read_erasures(ward.private)[0].done


@pytest.mark.long
def test_a_rebuild_finishes_a_killed_erasure_too(ward: Home, erased: Home) -> None:
    with dying_at(25):
        erase(ward)
    run_rebuild(ward, request_for(ward), NOW)
    assert places_of(ward.root, TRACES) == []
    assert differences(published(ward), published(erased)) == []


def test_the_extracts_it_touches_are_listed_and_can_no_longer_be_verified(ward: Home, tmp_path: Path) -> None:
    cohort = tmp_path / "cohort.toml"
    cohort.write_text('cohort = 1\nname = "all"\ntitle = "All"\n')
    load(ward, [])  # the copy lies elsewhere
    out = ward.root / "extracts" / "all"
    made = run_extract(ward, cohort, out)
    shutil.copytree(out, tmp_path / "given-away")
    done = erase(ward)
    assert done.plan.extracts == (made.extract_id,)
    assert not out.exists()
    with pytest.raises(InputError, match="may hold data that were to go: destroy it and make a new one"):
        run_verify(ward, tmp_path / "given-away")


@pytest.mark.long
def test_an_extract_without_the_patient_is_not_said_to_hold_them(ward: Home, tmp_path: Path) -> None:
    cohort = tmp_path / "cohort.toml"
    cohort.write_text('cohort = 1\nname = "hill"\ntitle = "Hill"\n[who]\nsites = ["hillside"]\n')
    load(ward, [])
    run_extract(ward, cohort, tmp_path / "given-away")
    assert erase(ward).plan.extracts == ()
    with pytest.raises(InputError, match="holds none of the data that were to go: make a new one"):
        run_verify(ward, tmp_path / "given-away")


def corrected_twice(folder: Path) -> list[Path]:
    """Two more exports of the shared log, which differ from it and from each other in Anna's minutes alone."""
    folder.mkdir()
    paths = [folder / "shared again.csv", folder / "shared once more.csv"]
    for leak, path in zip(CORRECTED, paths, strict=True):
        path.write_bytes(shared_log().replace(f",{ANNA},".encode(), f",{leak},".encode()))
    return paths


@pytest.mark.long
def test_files_that_differ_in_the_patients_minutes_alone_become_one(
    another: Callable[[], Home], tmp_path: Path
) -> None:
    files = corrected_twice(tmp_path / "more")
    before, after = another(), another()
    load(before, files)
    with dying_at(25):
        erase(before)
    run_rebuild(before, request_for(before), NOW)
    erase(after)
    outcomes = load(after, files).outcomes
    assert [(o.status, o.known) for o in outcomes] == [("loaded", True), ("loaded", True)]
    assert len({outcome.digest for outcome in outcomes}) == 1
    for home in (before, after):
        assert places_of(home.root, [*TRACES, *map(str, CORRECTED)]) == []
    assert differences(published(before), published(after)) == []


def test_what_was_rejected_of_registries_and_notes_keeps_no_key(ward: Home, tmp_path: Path) -> None:
    rejected = {
        "a header that lacks a column": REGISTRY.replace(",site,", ",sight,"),
        "a header that is gone": REGISTRY.replace("drain_key,patient_key,", "# ", 1),
        "a site of no such name": REGISTRY.replace("PAT-ANNA,lakeside", "PAT-ANNA,Lakeside"),
        "a column that comes twice": ANNOTATIONS.replace("kind,author_role", "kind,kind"),
    }
    for name, told in rejected.items():
        (tmp_path / name).write_text(told)
    outcomes = load(ward, [tmp_path / name for name in rejected]).outcomes
    assert sorted(outcome.status for outcome in outcomes) == ["partial", "rejected", "rejected", "rejected"]
    before = places_of(ward.root, ANNA_KEYS)
    assert all(any(outcome.digest in name for name, _ in before) for outcome in outcomes)
    erase(ward)
    assert places_of(ward.root, TRACES) == []


@pytest.mark.long
def test_nothing_is_left_in_whatever_was_made_of_damaged_copies(
    ward: Home, ward_files: list[Path], tmp_path: Path
) -> None:
    chance, sound = random.Random(3), {path.name: path.read_bytes() for path in ward_files}
    (tmp_path / "damaged").mkdir()
    for number in range(20):  # `make soak` reads ten thousand
        made = mutate(chance, sound)
        (tmp_path / "damaged" / f"{number} {made.name}").write_bytes(made.data)
    load(ward, [tmp_path / "damaged"])
    assert len({name for name, _ in places_of(ward.root, ANNA_KEYS) if "raw" in name}) > 10
    erase(ward)
    assert places_of(ward.root, ANNA_KEYS) == []
    load(ward, [tmp_path / "damaged"])
    assert places_of(ward.root, ANNA_KEYS) == []


@pytest.mark.parametrize("kind", ["registry", pytest.param("annotations", marks=pytest.mark.long)])
def test_a_registry_or_annotation_file_without_rows_stands_in_no_erasures_way(
    kind: str, ward: Home, tmp_path: Path
) -> None:
    told, names = (REGISTRY, 4) if kind == "registry" else (ANNOTATIONS, 3)
    bare = tmp_path / "no news this month.csv"
    bare.write_text("\n".join(told.splitlines()[:names]).replace("PAT-ANNA", "the ward") + "\n")
    assert load(ward, [bare]).published
    erase(ward)
    assert places_of(ward.root, TRACES) == []
    bare.write_text(bare.read_text().replace("2031-04-01", "2031-05-01"))
    (outcome,) = load(ward, [bare]).outcomes  # past the door, with the erasure on record
    assert outcome.status in ("loaded", "partial")  # the registry has a column of its own


def test_after_an_older_backup_came_back_the_erasures_are_carried_out_again(
    another: Callable[[], Home], erased: Home
) -> None:
    old = another()
    shutil.copytree(erased.private / "erased", old.private / "erased")
    run_erase_again(old, request_for(old), NOW)
    assert places_of(old.root, TRACES) == []
    assert differences(published(old), published(erased)) == []


def test_rows_of_the_lake_are_those_of_load_file_after_an_erasure(erased: Home) -> None:
    files = erased.lake.scan(LOAD_FILE).collect()
    logs = files.filter(pl.col("device").is_not_null())
    assert logs["rows_kept"].sum() == 91 + 210
    assert erased.lake.scan(MINUTE).select(pl.len()).collect().item() == 91 + 210
    assert files.filter(pl.col("rows_read") != pl.col("rows_kept") + pl.col("rows_rejected")).height == 0


def test_a_record_that_cannot_be_read_stops_everything(
    ward: Home, erased: Home, capsys: pytest.CaptureFixture[str], ward_files: list[Path]
) -> None:
    (ward.private / "erased").mkdir()
    (ward.private / "erased" / "0123.json").write_text(json.dumps({"name": "0123"}))
    assert run(["load", str(ward_files[0]), "--home", str(ward.root)]) == FAILED
    assert "record of an erasure cannot be read" in capsys.readouterr().err
