"""Simulated drains, from their logs and registry to their outcomes, against what really happened."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.cohort import (
    claim,
    cuts_of,
    load_rules,
    read_annotations,
    read_registry,
    summarise,
    use_annotations,
)
from pipeline.course import course_of
from pipeline.course.evidence import evidence_of
from pipeline.course.resolve import resolve
from pipeline.definitions import load_definitions
from pipeline.ingest import load_profiles, read_log
from pipeline.simulate import simulate
from schemas.lake import LOAD_FILE


@pytest.fixture(scope="module")
def drains(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    """Published drains beside their truth, for the drains the registry knows."""
    made = simulate(tmp_path_factory.mktemp("ward") / "out", drains=24, seed=23)
    definitions, profiles = load_definitions(), load_profiles()
    logs = [read_log(path.read_bytes(), path.name, profiles, definitions) for path in made.log_files]
    files = pl.DataFrame([log.file | {"loaded_at": None} for log in logs], schema_overrides=LOAD_FILE.dtypes)
    registry = pl.concat([_read(path, read_registry) for path in made.registries])
    annotations = pl.concat([_read(path, read_annotations) for path in made.annotations])
    resolved = resolve(
        pl.concat([log.minutes for log in logs]),
        pl.concat([log.traces for log in logs]),
        LOAD_FILE.conform(files),
        definitions,
    )
    evidence = evidence_of(resolved.minutes, definitions)
    course = course_of(
        resolved.minutes,
        resolved.uses,
        evidence,
        cuts_of(resolved.uses, registry),
        use_annotations(resolved.uses, registry, annotations),
        definitions,
    )
    claims = claim(resolved.uses, registry, b"a secret of the tests", annotations)
    tables = summarise(
        claims,
        resolved.uses,
        course.minutes,
        evidence,
        course.periods,
        course.alerts,
        course.canisters,
        annotations,
        definitions,
        load_rules(),
    )
    keys = claims.drains.select("drain_id", "site", "drain_key")
    truth = pl.read_parquet(made.truth / "drain.parquet").filter(pl.col("drain_key").is_not_null())
    return truth.join(keys, on=["site", "drain_key"]).join(
        tables.drain, on=["drain_id", "site"], suffix="_published"
    )


def _read(path: Path, reader) -> pl.DataFrame:
    return reader(path.read_bytes()).rows


def test_a_verdict_never_says_the_opposite_of_what_happened(drains: pl.DataFrame) -> None:
    decided = drains.filter(pl.col("prolonged_leak") != "unknown")
    assert decided.height > 15
    assert decided["prolonged_leak"].n_unique() == 2
    happened = pl.when("prolonged").then(pl.lit("yes")).otherwise(pl.lit("no"))
    assert decided.filter(pl.col("prolonged_leak") != happened).is_empty()


def test_an_unknown_is_one_that_nobody_can_know(drains: pl.DataFrame) -> None:
    watched = drains.filter((pl.col("story") != "wrong_dates") & (pl.col("unlogged_minutes") == 0))
    assert watched.height > 10
    differs = watched.filter(pl.col("prolonged_leak") != pl.col("expected_prolonged_leak"))
    assert differs.is_empty()


def test_most_leaks_end_within_a_quarter_of_an_hour_of_the_truth(drains: pl.DataFrame) -> None:
    # The median over ±30 minutes moves an end by minutes; the 20 mL/min limit cuts a slow tail off.
    error = (drains["leak_hours_published"] - drains["leak_hours"]).drop_nulls().abs()
    assert len(error) > 15
    assert error.quantile(0.75) <= 0.25


def test_the_fluid_of_plain_drains_is_right(drains: pl.DataFrame) -> None:
    plain = drains.filter((pl.col("story") == "plain") & (pl.col("unlogged_minutes") == 0))
    assert plain.height > 5
    error = (plain["output_ml_published"] - plain["output_ml"]).abs()
    allowed = pl.select(pl.max_horizontal(pl.lit(10.0), plain["output_ml"] * 0.02)).to_series()
    assert (error <= allowed).all()
