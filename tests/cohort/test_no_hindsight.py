"""Readiness never looks ahead: what the log goes on to say moves no earlier `ready_at`."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cohort import (
    claim,
    cuts_of,
    load_rules,
    read_annotations,
    read_registry,
    standing,
    summarise,
    use_annotations,
)
from pipeline.course import course_of
from pipeline.course.evidence import evidence_of
from pipeline.course.resolve import resolve
from pipeline.definitions import load_definitions
from pipeline.ingest import load_profiles, read_log
from pipeline.simulate import simulate
from schemas.lake import BEDSIDE, LOAD_FILE

DEFINITIONS = load_definitions()
AS_KNOWN_THEN = [name for name in BEDSIDE.names if name != "leak_median_ml_min"]


@dataclass(frozen=True)
class Ward:
    """Logs of a small ward as loaded, and its paper."""

    minutes: pl.DataFrame
    traces: pl.DataFrame
    files: pl.DataFrame
    registry: pl.DataFrame
    annotations: pl.DataFrame

    def swapped(self) -> list[str]:
        """Drains that more than one use served."""
        resolved = resolve(self.minutes, self.traces, self.files, DEFINITIONS)
        served = claim(resolved.uses, self.registry, bytes(32), self.annotations).drain_use
        uses = served.group_by("drain_id").agg(pl.col("use_id").n_unique())
        return uses.filter(pl.col("use_id") > 1)["drain_id"].to_list()

    def until(self, share: float, each: bool) -> tuple[pl.DataFrame, pl.DataFrame]:
        """
        Bedside minutes and readiness when the logs stop early: each session after this share of its time, or
        all of them at one moment, when this share of their rows had been written.
        """
        by = ["site", "device", "session"]
        moment = self.minutes["clock"].quantile(share, "lower")
        first, last = pl.col("clock").min(), pl.col("clock").max()
        cut = first + (last - first) * share if each else pl.lit(moment).cast(pl.Datetime("us"))
        ends = self.minutes.group_by(by).agg(cut=cut)

        def early(rows: pl.DataFrame) -> pl.DataFrame:
            kept = rows.join(ends, on=by).filter(pl.col("clock") <= pl.col("cut"))
            return kept.select(rows.columns)

        resolved = resolve(early(self.minutes), early(self.traces), self.files, DEFINITIONS)
        evidence = evidence_of(resolved.minutes, DEFINITIONS)
        notes = use_annotations(resolved.uses, self.registry, self.annotations)
        course = course_of(
            resolved.minutes,
            resolved.uses,
            evidence,
            cuts_of(resolved.uses, self.registry),
            notes,
            DEFINITIONS,
        )
        told = summarise(
            claim(resolved.uses, self.registry, bytes(32), self.annotations),
            resolved.uses,
            course.minutes,
            evidence,
            course.periods,
            course.alerts,
            course.canisters,
            standing(self.annotations),
            DEFINITIONS,
            load_rules(),
        )
        return told.bedside, told.readiness


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Ward:
    made = simulate(tmp_path_factory.mktemp("ward") / "out", drains=6, seed=31)
    profiles = load_profiles()
    logs = [read_log(path.read_bytes(), path.name, profiles, DEFINITIONS) for path in made.log_files]
    files = pl.DataFrame([log.file | {"loaded_at": None} for log in logs], schema_overrides=LOAD_FILE.dtypes)

    def paper(paths: tuple[Path, ...] | list[Path], reader) -> pl.DataFrame:
        return pl.concat([reader(path.read_bytes()).rows for path in paths])

    return Ward(
        pl.concat([log.minutes for log in logs]),
        pl.concat([log.traces for log in logs]),
        LOAD_FILE.conform(files),
        paper(made.registries, read_registry),
        paper(made.annotations, read_annotations),
    )


@pytest.fixture(scope="module")
def whole(ward: Ward) -> tuple[pl.DataFrame, pl.DataFrame]:
    return ward.until(1.0, each=True)


@settings(deadline=None, max_examples=6)
@given(share=st.floats(0.05, 0.99), each=st.booleans())
def test_later_minutes_of_the_log_move_nothing_that_was_known_before(
    ward: Ward, whole: tuple[pl.DataFrame, pl.DataFrame], share: float, each: bool
) -> None:
    bedside, ready = ward.until(share, each)
    if each:  # then only of drains on one device the rest is a part from the beginning
        swapped = ward.swapped()
        bedside, ready = (frame.filter(~pl.col("drain_id").is_in(swapped)) for frame in (bedside, ready))
    same = bedside.select(AS_KNOWN_THEN).join(
        whole[0].select(AS_KNOWN_THEN), on=AS_KNOWN_THEN, how="anti", nulls_equal=True
    )
    assert same.rows() == []
    beside = ready.join(whole[1], on=["drain_id", "rule"], suffix="_later")
    assert beside.height == ready.height > 0
    told = beside.filter(pl.col("ready_at").is_not_null())
    assert told.filter(pl.col("ready_at") != pl.col("ready_at_later")).rows() == []
    seen_until = bedside.group_by("drain_id").agg(until=pl.col("minute").max())
    not_yet = beside.filter(pl.col("ready_at").is_null() & pl.col("ready_at_later").is_not_null())
    assert (
        not_yet.join(seen_until, on="drain_id").filter(pl.col("ready_at_later") <= pl.col("until")).rows()
        == []
    )


def test_the_ward_has_drains_that_become_ready_and_minutes_in_which_the_clock_stood(whole) -> None:
    bedside, ready = whole
    assert ready["ready_at"].drop_nulls().len() > 10
    assert bedside["leak_ml_min"].null_count() > 20
