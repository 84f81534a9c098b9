"""Whatever a file holds, reading it ends, in bounded memory, and accounts for every row."""

from __future__ import annotations

import random
import time
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.cohort import read_registry
from pipeline.definitions import load_definitions
from pipeline.query.reader import reader
from tests.faults.kills import FILES
from tests.ingest.drain_logs import Log, faults, read, row
from tests.soak.judging import judge
from tests.soak.mutants import bomb, mutant, mutate
from tests.support.homes import load, make_home

PLAUSIBLE = load_definitions().plausible


@pytest.mark.parametrize("first", range(0, 400, 50))
def test_every_mutant_gets_an_answer_with_every_row_accounted_for(first: int) -> None:
    for seed in range(first, first + 50):
        made = mutant(seed)
        try:
            judge(made.name, made.data)
        except Exception as error:
            raise AssertionError(f"mutant {seed}: {made.made}") from error


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)
@given(st.randoms(use_true_random=False))
def test_every_mutant_that_hypothesis_finds_gets_an_answer(chance: random.Random) -> None:
    made = mutate(chance)
    judge(made.name, made.data)


def test_a_load_of_many_mutants_publishes_and_keeps_count_of_every_row(tmp_path: Path) -> None:
    landing = tmp_path / "landing"
    landing.mkdir()
    for name, data in FILES.items():
        (landing / name).write_bytes(data)
    for seed in range(1000, 1100):
        made = mutant(seed)
        (landing / f"{seed} {made.name}").write_bytes(made.data)
    home = make_home(tmp_path / "home")
    summary = load(home, [landing])
    assert summary.published
    assert len(summary.outcomes) == 100 + len(FILES)
    with reader(home.database) as connection:
        unequal = "SELECT count(*) FROM load_file WHERE rows_read <> rows_kept + rows_rejected"
        assert connection.execute(unequal).fetchone() == (0,)
        unrecorded = """
            SELECT count(*) FROM load_file AS f WHERE rows_rejected <> (
                SELECT count(DISTINCT line) FROM rejected_row AS r WHERE r.file_sha256 = f.file_sha256 AND scope = 'row'
            )"""
        assert connection.execute(unrecorded).fetchone() == (0,)
        shown = connection.execute(
            "SELECT value_shape FROM rejected_row WHERE value_shape SIMILAR TO '.*[0-8].*'"
        )
        assert shown.fetchall() == []
    assert not load(home, [landing]).published


def test_a_preamble_line_of_a_million_blanks_is_read_in_no_time() -> None:
    began = time.process_time()
    answer = read(Log().saying(timezone="Europe/Zurich" + " " * 1_000_000 + "x").data)
    assert answer.file["status"] == "rejected"
    assert [fault[3] for fault in faults(answer)] == ["timezone_unknown"] or answer.file["reason"]
    assert time.process_time() - began < 10  # it took an hour


def test_a_small_gzip_that_unpacks_to_millions_of_lines_is_stopped_with_a_reason() -> None:
    packed = bomb(4 * PLAUSIBLE.rows_most + (4 << 20), b"1,2\n", Log().data)
    answer = read(packed)
    assert len(packed) < 20_000
    assert answer.file["status"] == "rejected"
    assert "more than 2000000 lines" in answer.file["reason"]


def test_a_small_gzip_that_unpacks_beyond_the_limit_is_stopped_with_a_reason() -> None:
    answer = read(bomb(PLAUSIBLE.file_most + (2 << 20), b"\0"))
    assert answer.file["reason"].startswith("The log is larger than 512 MiB unpacked")


def test_a_line_of_megabytes_costs_its_own_row_and_its_record_is_short() -> None:
    wide = row(1, alerts="E7;" * 3_000_000)
    answer = read(Log((row(0), wide, row(2), "x" * 9_000_000, row(3)), end="# end: rows=5").data)
    assert answer.file["rows_kept"] == 3
    assert [fault[3] for fault in faults(answer)] == ["line_too_long", "line_too_long"]
    assert answer.rejected_values["value"].str.len_chars().max() < 10_000  # type: ignore[operator]
    assert answer.minutes["line"].to_list() == [8, 10, 12]


def test_a_registry_with_a_hundred_thousand_columns_is_refused_in_no_time() -> None:
    lines = FILES["registry.csv"].split(b"\n")
    lines[2] += b",sex" * 100_000
    began = time.process_time()
    assert read_registry(b"\n".join(lines)).file["reason"].startswith('The header has "sex" more than once')
    assert time.process_time() - began < 10  # it took minutes


def test_a_registry_beyond_what_wards_have_is_refused_with_a_reason() -> None:
    found = read_registry(FILES["registry.csv"] + b"x" * PLAUSIBLE.paper_most)
    assert found.file["reason"].startswith("The file is larger than 64 MiB")


def test_a_file_too_large_to_be_a_log_is_not_read_into_memory(tmp_path: Path) -> None:
    large = tmp_path / "disk image.csv"
    with large.open("wb") as file:
        file.truncate(PLAUSIBLE.file_most + 1)  # a hole: takes no room on the disk
    (outcome,) = load(make_home(tmp_path / "home"), [large]).outcomes
    assert outcome.status == "rejected"
    assert outcome.reason == "is larger than 512 MiB and was not read; split it and load again"


def test_mutants_are_the_same_on_every_machine() -> None:
    assert [mutant(seed).data for seed in range(20)] == [mutant(seed).data for seed in range(20)]
    made = pl.Series([len(mutant(seed).data) for seed in range(200)])
    assert made.n_unique() > 100
