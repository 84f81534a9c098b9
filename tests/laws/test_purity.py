"""Law: the published database is a pure function of what was put in. Order, batches, repeats change nothing."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.loading.load import run_rebuild
from flows.loading.request import request_for
from flows.loading.survey import find_files
from pipeline.store import Home
from tests.laws.conftest import REGISTRY, v1
from tests.support.homes import NOW, differences, load, make_home, published

ONCE = settings(
    max_examples=2,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture(scope="module")
def all_at_once(tmp_path_factory: pytest.TempPathFactory, small: list[Path]) -> Home:
    home = make_home(tmp_path_factory.mktemp("once"))
    load(home, small)
    return home


@ONCE
@given(data=st.data())
def test_loading_in_any_order_and_batching_gives_the_same_database(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory, small: list[Path], all_at_once: Home
) -> None:
    order = data.draw(st.permutations(small))
    cuts = sorted(data.draw(st.sets(st.integers(1, len(order) - 1), max_size=4)))
    home = make_home(tmp_path_factory.mktemp("order"))
    for start, stop in zip([0, *cuts], [*cuts, len(order)], strict=True):
        load(home, order[start:stop])
    again = data.draw(st.sampled_from(order))
    load(home, [again])
    assert differences(published(home), published(all_at_once)) == []


@pytest.mark.long
def test_the_sample_folder_in_any_order_gives_the_same_database(
    tmp_path_factory: pytest.TempPathFactory, samples: list[Path], loaded_samples: Home
) -> None:
    files = find_files(samples)
    shuffled = make_home(tmp_path_factory.mktemp("shuffled"))
    random.Random(5).shuffle(files)
    third = len(files) // 3
    for part in (files[:third], files[third:], files[third : 2 * third]):
        load(shuffled, part)
    assert differences(published(shuffled), published(loaded_samples)) == []


def test_loading_again_changes_nothing(small: list[Path], all_at_once: Home) -> None:
    before = all_at_once.database.stat()
    summary = load(all_at_once, small)
    assert not summary.published
    assert all(o.known or o.status == "rejected" for o in summary.outcomes)
    assert all_at_once.database.stat().st_mtime_ns == before.st_mtime_ns
    assert (summary.devices, summary.drains) == (0, 0)


def test_rebuilding_from_raw_files_gives_the_same_database(
    tmp_path_factory: pytest.TempPathFactory, small: list[Path], all_at_once: Home
) -> None:
    home = make_home(tmp_path_factory.mktemp("rebuilt"))
    for part in (small[:4], small[4:8], small[8:]):
        load(home, part)
    run_rebuild(home, request_for(home), NOW)
    assert differences(published(home), published(all_at_once)) == []


def test_a_late_file_changes_only_the_drains_it_touches(
    tmp_path_factory: pytest.TempPathFactory, small: list[Path]
) -> None:
    home = make_home(tmp_path_factory.mktemp("late"))
    late = next(p for p in small if p.name == "a second.csv")
    load(home, [p for p in small if p != late])
    summary = load(home, [late])
    assert (summary.devices, summary.drains) == (1, 1)


def patients_of_one_device(folder: Path) -> list[Path]:
    """Three sessions of one device, the second exported again with another leak, and what claims the first two."""
    folder.mkdir(parents=True)
    registry = REGISTRY.splitlines(keepends=True)
    claims = [
        b"K1,P1,lakeside,ward 4,2031-03-10T08:05:00+01:00,2031-03-10T10:00:00+01:00,DV-1/1,wedge,,left,planned\n",
        b"K2,P2,lakeside,ward 4,2031-03-10T11:00:00+01:00,2031-03-10T12:20:00+01:00,DV-1/2,wedge,,left,planned\n",
    ]
    files = {
        "1.csv": v1("DV-1", 0, 120, "2031-03-10T10:30:00+01:00", session=1),
        "2.csv": v1("DV-1", 180, 260, "2031-03-10T13:00:00+01:00", session=2),
        "2 again.csv": v1("DV-1", 180, 260, "2031-03-10T13:10:00+01:00", session=2, leak=75),
        "3.csv": v1("DV-1", 300, 350, "2031-03-10T14:00:00+01:00", session=3),
        "registry.csv": b"".join([*registry[:3], *claims]),
    }
    for name, data in files.items():
        (folder / name).write_bytes(data)
    return [folder / name for name in files]


@pytest.fixture(scope="module")
def patients(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return patients_of_one_device(tmp_path_factory.mktemp("patients") / "given")


@pytest.mark.parametrize("order", [(4, 0, 1, 2, 3), pytest.param((3, 2, 0, 1, 4), marks=pytest.mark.long)])
def test_patients_of_one_device_loaded_one_by_one_are_those_loaded_at_once(
    order: tuple[int, ...], patients: list[Path], tmp_path: Path
) -> None:
    whole, apart = make_home(tmp_path / "whole"), make_home(tmp_path / "apart")
    load(whole, patients)
    for place in order:
        load(apart, [patients[place]])
    assert differences(published(apart), published(whole)) == []


def test_a_later_patient_of_a_device_leaves_the_minutes_of_earlier_ones_as_they_are(
    patients: list[Path], tmp_path: Path
) -> None:
    first, second, again, third, registry = patients
    home = make_home(tmp_path / "home")
    load(home, [first, second, registry])
    later = load(home, [third])
    assert (later.devices, later.minutes) == (1, 51)
    # The second patient's drain is over now that the device is on a third; the first's was over before.
    assert later.drains == 2
    corrected = load(home, [again])
    assert (corrected.devices, corrected.minutes, corrected.drains) == (1, 81, 1)


def test_a_row_that_claims_one_patient_leaves_the_minutes_of_another_as_they_are(
    patients: list[Path], tmp_path: Path
) -> None:
    first, second, _, _, registry = patients
    home = make_home(tmp_path / "home")
    load(home, [first, second, registry])
    moved = tmp_path / "moved.csv"
    text = registry.read_bytes().replace(b"2031-04-01", b"2031-04-02")
    moved.write_bytes(text.replace(b"2031-03-10T12:20", b"2031-03-10T11:50"))
    summary = load(home, [moved])
    assert (summary.devices, summary.minutes) == (1, 81)


def test_the_same_inputs_with_another_key_give_other_pseudonyms_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, small: list[Path], all_at_once: Home
) -> None:
    home = make_home(tmp_path_factory.mktemp("other-key"), key=bytes(32))
    load(home, small)
    ours, theirs = published(home), published(all_at_once)
    assert {row[0] for row in ours["drain"]}.isdisjoint({row[0] for row in theirs["drain"]})
    assert sorted(str(row[2:]) for row in ours["drain"]) == sorted(str(row[2:]) for row in theirs["drain"])
