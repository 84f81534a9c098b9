"""An extract made again is the same to the byte, whatever came in since; or what differs is named."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from flows.cli import DONE, FAILED, SOME_REJECTED, WRONG_CALL, run
from flows.research.extract import run_extract
from flows.research.verify import run_verify
from pipeline.store import Home
from schemas.published import DRAIN
from tests.extract.small_ward import COHORT, write_more, write_ward
from tests.support.homes import load, make_home


@pytest.fixture(scope="session")
def ward_home(tmp_path_factory: pytest.TempPathFactory) -> Home:
    root = tmp_path_factory.mktemp("verified")
    home = make_home(root / "home")
    load(home, [write_ward(root / "exports")])
    return home


@pytest.fixture
def home(ward_home: Home, tmp_path: Path) -> Home:
    """A copy of the loaded home, to do things to."""
    shutil.copytree(ward_home.root, tmp_path / "home")
    home = Home(tmp_path / "home")
    load(home, [])  # published anew: the view names the lake by its place
    return home


@pytest.fixture
def cohort(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(COHORT, encoding="utf-8")
    return path


def _bytes(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _in_a_strange_place(arguments: list[str], place: Path) -> subprocess.CompletedProcess[str]:
    strange = {
        "TZ": "Pacific/Auckland",
        "LC_ALL": "tr_TR.UTF-8",
        "LANG": "tr_TR.UTF-8",
        "POLARS_MAX_THREADS": "1",
    }
    environment = {k: v for k, v in os.environ.items() if not k.startswith("DRAINLEDGER")} | strange
    environment["PYTHONHASHSEED"] = "77"
    command = [sys.executable, "-m", "flows.cli", *arguments]
    return subprocess.run(command, cwd=place, env=environment, capture_output=True, text=True, check=False)


def test_after_later_loads_in_another_process_place_zone_and_language_it_is_the_same(
    home: Home, cohort: Path, tmp_path: Path
) -> None:
    out = tmp_path / "extract"
    run_extract(home, cohort, out)
    load(home, [write_more(tmp_path / "more")])
    said = []
    for more in ([], ["--from-raw"]):
        done = _in_a_strange_place(["verify", str(out), "--home", str(home.root), *more], tmp_path)
        assert done.returncode == DONE, done.stdout + done.stderr
        said.append(done.stdout)
    assert "the same, byte for byte" in said[0]
    assert "the lake's versions it was made from" in said[0]
    assert "7 raw files, read anew" in said[1]
    assert not list(home.private.glob("verify-*"))
    # A version of the lake that was cleared away is no loss: the raw files are asked instead.
    in_use = set(home.lake.files(DRAIN))
    for path in home.lake.path(DRAIN).rglob("*.parquet"):
        if str(path.resolve()) not in in_use:
            path.unlink()
    verdict = run_verify(home, out)
    assert verdict.same
    assert verdict.how == "7 raw files, read anew"
    # The new data would have given another extract.
    run_extract(home, cohort, tmp_path / "later")
    assert _bytes(tmp_path / "later")["csv/drain.csv"] != _bytes(out)["csv/drain.csv"]


def test_two_verifications_at_once_both_read_the_ledger_as_it_stands(
    ward_home: Home, cohort: Path, tmp_path: Path
) -> None:
    out = tmp_path / "extract"
    run_extract(ward_home, cohort, out)
    with ward_home.reading():  # another verification
        verdict = run_verify(ward_home, out)
        run_extract(ward_home, cohort, tmp_path / "another")
    assert verdict.same
    assert verdict.how == "the ledger as it stands"
    assert verdict.beside == ()


def test_a_verification_during_a_load_says_why_it_goes_the_long_way(
    ward_home: Home, cohort: Path, tmp_path: Path
) -> None:
    out = tmp_path / "extract"
    run_extract(ward_home, cohort, out)
    with ward_home.locked():
        verdict = run_verify(ward_home, out)
    assert verdict.same
    assert verdict.how == "7 raw files, read anew"
    assert len(verdict.beside) == 1
    assert "a load is running here" in verdict.beside[0]


def test_the_same_files_loaded_in_another_order_in_another_home_give_the_same_bytes(
    ward_home: Home, cohort: Path, tmp_path: Path
) -> None:
    run_extract(ward_home, cohort, tmp_path / "one")
    other = make_home(tmp_path / "other")
    paths = sorted((write_ward(tmp_path / "again")).iterdir(), reverse=True)
    load(other, paths[:3])
    load(other, paths[3:])
    run_extract(other, cohort, tmp_path / "two")
    assert _bytes(tmp_path / "one") == _bytes(tmp_path / "two")


def test_what_was_tampered_with_is_named_with_row_and_column(
    ward_home: Home, cohort: Path, tmp_path: Path
) -> None:
    out = tmp_path / "extract"
    run_extract(ward_home, cohort, out)
    path = out / "parquet" / "drain.parquet"
    rows = pl.read_parquet(path)
    rows.with_columns(
        minutes_observed=pl.col("minutes_observed") + (pl.int_range(pl.len()) == 1).cast(pl.Int32)
    ).write_parquet(path)
    (out / "csv" / "period.csv").unlink()
    (out / "added.txt").write_text("x")
    verdict = run_verify(ward_home, out)
    assert not verdict.same
    told = "\n".join(verdict.differ)
    was = rows["minutes_observed"][1]
    assert f"drain.parquet: column minutes_observed: row 2: {was + 1}, made again {was}" in told
    assert "csv/period.csv: is missing" in told
    assert "added.txt: does not belong to the extract" in told
    assert run(["verify", str(out), "--home", str(ward_home.root)]) == SOME_REJECTED


def test_a_cohort_edited_in_the_manifest_shows(ward_home: Home, cohort: Path, tmp_path: Path) -> None:
    out = tmp_path / "extract"
    run_extract(ward_home, cohort, out)
    manifest = json.loads((out / "manifest.json").read_text())
    manifest["cohort"]["who"] = {"sides": ["left"]}
    (out / "manifest.json").write_text(json.dumps(manifest))
    verdict = run_verify(ward_home, out)
    assert any("drain.parquet: 7 rows, made again 2" in line for line in verdict.differ)


def test_a_raw_file_that_is_gone_or_changed_is_named(
    home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "extract"
    run_extract(home, cohort, out)
    inputs = json.loads((out / "manifest.json").read_text())["inputs"]
    raw = home.raw.path(next(file["sha256"] for file in inputs if file["kind"] == "log"))
    data = raw.read_bytes()
    raw.chmod(0o600)
    raw.write_bytes(data + b"x")
    assert run(["verify", str(out), "--home", str(home.root)]) == FAILED
    said = capsys.readouterr().err
    assert raw.name[:12] in said
    assert "have changed" in said
    raw.unlink()
    assert run(["verify", str(out), "--home", str(home.root)]) == FAILED
    assert raw.name[:12] in capsys.readouterr().err


def test_another_key_or_another_home_cannot_verify(
    ward_home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "extract"
    run_extract(ward_home, cohort, out)
    stranger = make_home(tmp_path / "stranger", key=bytes(range(1, 33)))
    load(stranger, [write_ward(tmp_path / "same-files")])
    assert run(["verify", str(out), "--home", str(stranger.root)]) == FAILED
    assert "another key" in capsys.readouterr().err
    fewer = make_home(tmp_path / "fewer")
    load(fewer, [tmp_path / "same-files" / "bed b.csv"])
    assert run(["verify", str(out), "--home", str(fewer.root)]) == FAILED
    assert "were never loaded" in capsys.readouterr().err


def test_other_definitions_and_rules_since_are_said_and_the_manifests_are_taken(
    ward_home: Home, cohort: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows.research import verify
    from pipeline.cohort import load_rules
    from pipeline.definitions import load_definitions

    out = tmp_path / "extract"
    run_extract(ward_home, cohort, out)
    today = load_definitions()
    moved = today.model_copy(update={"leak": today.leak.model_copy(update={"on_above": 35.0})})
    monkeypatch.setattr(verify, "load_definitions", lambda: moved)
    monkeypatch.setattr(verify, "load_rules", lambda: load_rules()[1:])
    for from_raw in (False, True):
        verdict = run_verify(ward_home, out, from_raw=from_raw)
        assert verdict.same, verdict.differ
        assert any("[leak]" in line for line in verdict.beside)
        assert any("removal rules have changed" in line for line in verdict.beside)


def test_rules_that_were_not_shipped_are_taken_from_the_manifest(
    ward_home: Home, cohort: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows.loading import load
    from flows.research import extract_source, verify
    from pipeline.cohort import load_rules

    out = tmp_path / "extract"
    run_extract(ward_home, cohort, out)
    fewer = load_rules()[1:]
    for module in (load, extract_source, verify):
        monkeypatch.setattr(module, "load_rules", lambda: fewer)
    verdict = run_verify(ward_home, out, from_raw=True)
    assert verdict.same, verdict.differ


@pytest.mark.parametrize(
    ("who", "status", "told"),
    [
        ("[who]\nage_years = { least = 1, most = 2 }", FAILED, "selects none of the 7 drains"),
        ('[who]\nunits = ["Ward Sevn (Dr Quill)"]', FAILED, 'did you mean "Ward Seven (Dr Quill)"?'),
        ('[who]\nprocedures = ["lob"]', FAILED, "free text leaves the house only through a mapping"),
        ('[give]\nrules = ["leak_20_for_9_hours"]', FAILED, "the ledger has no removal rule"),
        ("[wo]", FAILED, 'did you mean "who"?'),
    ],
)
def test_a_cohort_that_cannot_be_made_is_one_sentence_and_leaves_nothing(
    who: str, status: int, told: str, ward_home: Home, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(f'cohort = 1\nname = "bad"\ntitle = "Bad"\n{who}\n')
    out = tmp_path / "out"
    home = str(ward_home.root)
    assert run(["extract", str(path), "--out", str(out), "--home", home]) == status
    said = capsys.readouterr().err
    assert told in said
    assert said.count("\n") == 1
    assert not out.exists()
    assert not list(tmp_path.glob(".out*"))


def test_a_file_that_is_not_there_is_2_as_a_wrong_option_is_and_help_says_so(
    ward_home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    home = ["--home", str(ward_home.root)]
    out = str(tmp_path / "out")
    for arguments, status in (
        (["extract", str(tmp_path / "none.toml"), "--out", out], WRONG_CALL),
        (["extract", str(tmp_path), "--out", out], WRONG_CALL),
        (["extract", str(cohort), "--out", out, "--cohorts", "x"], WRONG_CALL),
        (["extract", str(cohort)], WRONG_CALL),
        (["verify", str(tmp_path / "none")], WRONG_CALL),
        (["verify", str(tmp_path), "--from-lake"], WRONG_CALL),
        (["score", str(tmp_path / "a.csv"), str(tmp_path / "b.csv")], WRONG_CALL),
        (["score", str(tmp_path / "a.csv")], WRONG_CALL),
    ):
        assert run([*arguments, *home]) == status, arguments
    for command in ("extract", "verify", "sample", "score"):
        capsys.readouterr()
        run([command, "--help"])
        said = " ".join(capsys.readouterr().out.split())
        assert re.search(r"Exit status 0: .*2: wrong .*3: ", said), said


def test_a_folder_that_is_there_is_not_touched(
    ward_home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    home = ["--home", str(ward_home.root)]
    assert run(["extract", str(cohort), "--out", str(out), *home]) == DONE  # an empty one is fine
    before = _bytes(out)
    assert run(["extract", str(cohort), "--out", str(out), *home]) == WRONG_CALL
    assert "is there already and not empty" in capsys.readouterr().err
    assert _bytes(out) == before
    inside = ward_home.root / "lake" / "x"
    assert run(["extract", str(cohort), "--out", str(inside), *home]) == WRONG_CALL
    assert not inside.exists()


def test_no_ledger_nothing_published_no_extract_are_one_sentence(
    cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "out")
    assert run(["extract", str(cohort), "--out", out, "--home", str(tmp_path / "none")]) == FAILED
    assert "there is no ledger here" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()
    empty = make_home(tmp_path / "empty")
    assert run(["extract", str(cohort), "--out", out, "--home", str(empty.root)]) == FAILED
    assert "nothing is published yet" in capsys.readouterr().err
    assert run(["verify", str(tmp_path), "--home", str(empty.root)]) == FAILED
    assert "name the folder of an extract" in capsys.readouterr().err


def test_json_and_words_tell_the_exact_flow_to_the_house(
    ward_home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = COHORT.replace("least_cell = 1", "").replace(
        "[mapping.procedure]",
        '[who]\nsides = ["left", "right"]\nprocedures = ["lobectomy"]\n[mapping.procedure]',
        1,
    )
    cohort.write_text(text)
    home = ["--home", str(ward_home.root)]
    assert run(["extract", str(cohort), "--out", str(tmp_path / "a"), "--json", *home]) == DONE
    facts = json.loads(capsys.readouterr().out)
    counts = {(row["step"], row["what"]): row["drains"] for row in facts["flow"]}
    assert counts[0, "all"] == 7
    assert counts[0, "all"] == sum(n for key, n in counts.items() if key[1] != "all")
    told = pl.read_csv(tmp_path / "a" / "flow.csv")
    assert told["drains"].null_count() > 0  # small counts stay in the house
    assert told["drains"][-1] == facts["rows"]["drain"] == 2
    assert run(["extract", str(cohort), "--out", str(tmp_path / "b"), *home]) == DONE
    said = capsys.readouterr().out
    assert f"2 drains in {tmp_path / 'b'}: 1 known patient (extract X" in said
    assert "-2  1. side: left, right: cannot be told" in said


def test_drains_of_nobody_known_are_not_counted_as_patients(
    ward_home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    asked = ["extract", str(cohort), "--home", str(ward_home.root), "--out"]
    assert run([*asked, str(out)]) == DONE
    said = capsys.readouterr().out
    who = pl.read_csv(out / "csv" / "drain.csv")["patient_id"]
    known, unknown = who.drop_nulls().n_unique(), who.null_count()
    assert (known, unknown) == (4, 1)
    assert "7 drains in" in said
    assert ": 4 known patients, 1 drain of unknown patient (" in said
    assert run([*asked, str(tmp_path / "json"), "--json"]) == DONE
    facts = json.loads(capsys.readouterr().out)
    assert (facts["patients"], facts["drains_of_unknown_patient"]) == (known, unknown)


def test_words_of_a_mapping_that_no_drain_has_are_told_to_the_terminal_alone(
    ward_home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cohort.write_text(
        COHORT.replace('"lobectomy by Brannigan" =', '"lobectomy by Branigan" =').replace(
            "[mapping.procedure]", '[who]\nprocedures = ["wedge resection"]\n[mapping.procedure]', 1
        )
    )
    out = tmp_path / "out"
    asked = ["extract", str(cohort), "--home", str(ward_home.root), "--out"]
    assert run([*asked, str(out)]) == DONE
    said = capsys.readouterr().out
    meant = 'has "lobectomy by Branigan", did you mean "lobectomy by Brannigan"?'
    assert f"[mapping.procedure]: no drain of the ledger {meant}" in said
    assert "procedure: of the drains left out by it, 2 have a word that no mapping names." in said
    assert not [name for name, data in _bytes(out).items() if b"Branigan" in data or b"Brannigan" in data]
    assert run([*asked, str(tmp_path / "json"), "--json"]) == DONE
    told = capsys.readouterr().out
    assert "Branigan" not in told
    facts = json.loads(told)
    assert facts["mapping_words_no_drain_has"] == {"procedure": 1}
    assert facts["unmapped_left_out"] == {"procedure": 2}
    assert run_verify(ward_home, out).same


def test_a_slip_in_the_mapping_of_a_procedure_asked_for_is_an_error(
    ward_home: Home, cohort: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cohort.write_text(
        COHORT.replace('"lobectomy by Brannigan" =', '"lobectomy by Branigan" =').replace(
            "[mapping.procedure]", '[who]\nprocedures = ["lobectomy"]\n[mapping.procedure]', 1
        )
    )
    out = tmp_path / "out"
    assert run(["extract", str(cohort), "--out", str(out), "--home", str(ward_home.root)]) == FAILED
    assert 'but some have "lobectomy by Brannigan", which no mapping names' in capsys.readouterr().err
    assert not out.exists()


def test_every_shipped_cohort_of_the_samples_and_the_hours_can_be_extracted(
    ward_home: Home, tmp_path: Path
) -> None:
    hours = Path("shared/cohorts/hours_only.toml").resolve()
    run_extract(ward_home, hours, tmp_path / "hours")
    text = "".join(p.read_text() for p in (tmp_path / "hours" / "csv").glob("*.csv"))
    assert "T08:" not in text
    drains = pl.read_parquet(tmp_path / "hours" / "parquet" / "drain.parquet")
    assert not {"origin_at", "tube_in_at", "site", "unit", "origin_day"} & set(drains.columns)
    assert drains["tube_out_hours"].null_count() < drains.height
    hourly = pl.read_parquet(tmp_path / "hours" / "parquet" / "drain_hour.parquet")
    assert hourly["minutes_observed"].max() == 60
    totals = hourly.group_by("drain_id").agg(pl.col("minutes_observed").sum()).sort("drain_id")
    assert totals.equals(
        drains.select("drain_id", "minutes_observed").filter(pl.col("minutes_observed") > 0).sort("drain_id")
    )


def test_the_home_is_only_noted_in(home: Home, cohort: Path, tmp_path: Path) -> None:
    before = {k: v for k, v in _bytes(home.root).items() if not k.startswith(".lock")}
    run_extract(home, cohort, tmp_path / "out")
    run_verify(home, tmp_path / "out", from_raw=True)
    after = {k: v for k, v in _bytes(home.root).items() if not k.startswith(".lock")}
    assert all(name.startswith("private/extracts/") for name in set(after) - set(before))
    assert len(list((home.private / "extracts").glob("*.json"))) >= 1
    assert {k: after[k] for k in before} == before
