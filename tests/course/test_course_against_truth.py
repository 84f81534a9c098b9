"""The course of simulated therapies against what really happened in them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl
import pytest

from pipeline.course import Course, course_of, evidence_of
from pipeline.definitions import load_definitions
from pipeline.simulate import therapy, traces
from schemas.lake import EVIDENCE, RESOLVED, USE_TABLE
from schemas.table import INSTANT

DEFINITIONS = load_definitions()
# Seeds of therapies with traces every 5 min; among them forgotten clamps, clamp trials and occlusions.
TRACED = (0, 7, 13, 22)
UNTRACED = tuple(range(1000, 1012))


@dataclass(frozen=True)
class Told:
    course: Course
    minutes: pl.DataFrame  # observed minutes beside the truth, its columns as true_…

    def shares(self, flag: str, truth: str) -> tuple[float, float]:
        """Precision and recall by minutes."""
        told, true = pl.col("flags").list.contains(flag), pl.col(truth)
        both, said, was = self.minutes.select(
            (told & true).sum().alias("both"), told.sum().alias("said"), true.sum().alias("was")
        ).row(0)
        return both / said, both / was


def lived(seeds: tuple[int, ...], every_min: int | None) -> Told:
    resolved, uses, evidence, truth, notes = [], [], [EVIDENCE.empty()], [], []
    for seed in seeds:
        stay = therapy(seed) if every_min is None else traces(therapy(seed), every_min)
        use_id = f"lakeside:DV-{seed:04d}/17@{stay.start:%Y%m%dT%H%MZ}"
        named = {"use_id": use_id, "site": "lakeside", "device": f"DV-{seed:04d}", "session": 17, "epoch": 0}
        rows = RESOLVED.conform(
            stay.log.filter(~pl.col("lost")).with_columns(
                *(pl.lit(value).alias(name) for name, value in named.items()),
                utc_offset_minutes=60,
                exports=1,
                conflicting=False,
                clock_step=False,
                clock_uncertain=False,
            )
        )
        resolved.append(rows)
        uses.append(
            USE_TABLE.conform(
                pl.DataFrame(
                    {
                        **named,
                        "stretch": 0,
                        "timezone": "Europe/Zurich",
                        "started_at": rows["minute"].min(),
                        "ended_at": rows["minute"].max(),
                        "minutes_observed": rows.height,
                        "begins_with_check": rows["state"][0] == "check",
                        "clock_uncertain": False,
                        "clock_steps": 0,
                        "last_export_at": rows["minute"].max(),
                        "later_session": False,
                    }
                )
            )
        )
        if every_min is not None:
            evidence.append(evidence_of(rows, DEFINITIONS))
        truth.append(stay.truth.with_columns(use_id=pl.lit(use_id)))
        minute = timedelta(minutes=1)
        notes += [
            (use_id, stay.start + trial.start * minute, stay.start + trial.end * minute, "clamp_trial")
            for trial in stay.plan.clamps
        ]
    course = course_of(
        pl.concat(resolved),
        pl.concat(uses),
        pl.concat(evidence),
        pl.DataFrame(schema={"use_id": pl.String, "at": INSTANT}),
        pl.DataFrame(
            notes,
            schema={"use_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "kind": pl.String},
            orient="row",
        ),
        DEFINITIONS,
    )
    key = ["use_id", "minute"]
    beside = pl.concat(truth).select(*key, pl.exclude(key).name.prefix("true_"))
    return Told(
        course, course.minutes.filter("observed").join(beside, on=key, how="left", maintain_order="left")
    )


@pytest.fixture(scope="module")
def untraced() -> Told:
    return lived(UNTRACED, None)


@pytest.fixture(scope="module")
def traced() -> Told:
    return lived(TRACED, 5)


@pytest.mark.parametrize(
    ("flag", "truth"), [("tilted", "true_tilted"), ("paused", "true_paused"), ("line_open", "true_line_open")]
)
def test_what_readings_decide_is_found_to_the_minute(untraced: Told, flag: str, truth: str) -> None:
    precision, recall = untraced.shares(flag, truth)
    assert precision >= 0.99
    assert recall >= 0.99


def test_suction_is_short_where_it_was_short_or_the_line_was_open(untraced: Told) -> None:
    told = untraced.minutes.filter(pl.col("flags").list.contains("suction_shortfall"))
    assert told.select((pl.col("true_suction_short") | pl.col("true_line_open")).all()).item()
    assert untraced.shares("suction_shortfall", "true_suction_short")[1] >= 0.99


def test_leak_is_on_when_it_was(untraced: Told) -> None:
    known = Told(untraced.course, untraced.minutes.filter(pl.col("leak_on").is_not_null()))
    precision, recall = known.shares("leak", "true_leaking")
    assert precision >= 0.98
    assert recall >= 0.98


def test_hourly_output_is_within_ten_millilitres_or_two_percent(untraced: Told) -> None:
    hours = (
        untraced.minutes.with_columns(
            hour=pl.col("minute").dt.truncate("1h"),
            off=(pl.col("output_ml") - pl.col("true_output_ml")).abs(),
        )
        .group_by("use_id", "hour")
        .agg(pl.col("off", "true_output_ml").last())
    )
    good = pl.col("off") <= pl.max_horizontal(pl.lit(10.0), pl.col("true_output_ml") * 0.02)
    assert hours.select(good.mean()).item() >= 0.98


def test_forgotten_clamps_and_clamp_trials_are_found(traced: Told) -> None:
    precision, recall = traced.shares("clamped", "true_clamped")
    assert precision >= 0.95
    assert recall >= 0.95


def test_a_suspected_occlusion_was_one(traced: Told) -> None:
    precision, _ = traced.shares("occlusion_suspected", "true_occluded")
    assert precision >= 0.95
    assert traced.course.periods.filter(pl.col("kind") == "occlusion_suspected")["grade"].to_list() == [
        "probable"
    ]


def test_nothing_is_called_occlusion_while_a_lung_comes_up(untraced: Told) -> None:
    up = untraced.minutes.filter(
        ~pl.col("true_breathing_visible") & ~pl.col("true_occluded") & ~pl.col("true_clamped")
    )
    assert up.filter(pl.col("state") == "run").height > 1000
    assert not up["flags"].list.contains("occlusion_suspected").any()
