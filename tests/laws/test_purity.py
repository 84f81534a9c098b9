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


def test_the_same_inputs_with_another_key_give_other_pseudonyms_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, small: list[Path], all_at_once: Home
) -> None:
    home = make_home(tmp_path_factory.mktemp("other-key"), key=bytes(32))
    load(home, small)
    ours, theirs = published(home), published(all_at_once)
    assert {row[0] for row in ours["drain"]}.isdisjoint({row[0] for row in theirs["drain"]})
    assert sorted(str(row[2:]) for row in ours["drain"]) == sorted(str(row[2:]) for row in theirs["drain"])
