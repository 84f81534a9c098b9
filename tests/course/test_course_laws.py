"""Laws of the course, on therapies put together at random from what happens at a bedside."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

import polars as pl
import polars.selectors as cs
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.course import Course, course_of
from schemas.lake import EVIDENCE
from schemas.table import INSTANT
from tests.course.bedside import DEFINITIONS, NOON, Use, course_as_told
from tests.course.device_logs import ahead, cut, following, resolved, steady, until, utc, written

TABLES = ("minutes", "periods", "alerts", "canisters")
NO_CUTS = pl.DataFrame(schema={"use_id": pl.String, "at": INSTANT})
NO_NOTES = pl.DataFrame(
    schema={"use_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "kind": pl.String}
)

QUIET: dict[str, Any] = {
    "state": "run",
    "mean": -20.0,
    "leak": 0.0,
    "breath": "present",
    "rate": 0.2,
    "tilt": 2.0,
}
SCENES: dict[str, dict[str, Any]] = {
    "quiet": {},
    "leaking": {"leak": 70.0},
    "coughing": {"leak": 400.0, "artefact": "cough"},
    "paused": {"state": "pause", "leak": None, "breath": "not_assessable", "alerts": ["pause_long"]},
    "clamped": {"breath": "absent", "rate": 0.0},
    "blocked": {"breath": "absent", "rate": 0.0, "still": True, "alerts": ["line_blocked"]},
    "doubtful": {"breath": "indeterminate", "leak": 15.0},
    "open": {"leak": 3000.0, "mean": -3.0, "alerts": ["line_leak"]},
    "weak": {"mean": -11.0, "leak": 40.0},
    "leaning": {"tilt": 60.0, "artefact": "motion"},
    "bleeding": {"rate": 6.0},
    "unread": {"leak": None, "tilt": None, "alerts": None, "volume": None},
    "new canister": {"state": "pause", "leak": None, "breath": "not_assessable", "change": True},
}


@dataclass
class Therapy:
    """Scenes one after another, told minute by minute."""

    scenes: list[tuple[str, int]]
    seed: int
    traces: int
    told: dict[str, list[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        noise = random.Random(self.seed)
        level = 40.0
        columns = (
            "state",
            "mean",
            "low",
            "high",
            "leak",
            "breath",
            "tilt",
            "alerts",
            "volume",
            "artefact",
            "artefact_fraction",
        )
        self.told = {name: [] for name in columns}
        for name, length in self.scenes:
            scene = {**QUIET, **SCENES[name]}
            for k in range(length):
                level = 0.0 if scene.get("change") and k == 1 else level + scene["rate"]
                still = scene.get("still", False)
                row = {
                    "state": scene["state"],
                    "mean": scene["mean"],
                    "low": scene["mean"] - (0.1 if still else 1.5),
                    "high": scene["mean"] + (0.1 if still else 1.5),
                    "leak": None
                    if scene["leak"] is None
                    else round(scene["leak"] * noise.uniform(0.9, 1.1), 1),
                    "breath": scene["breath"],
                    "tilt": scene["tilt"],
                    "alerts": scene.get("alerts", []),
                    "volume": None if "volume" in scene else round(max(0.0, level + noise.gauss(0, 1)), 1),
                    "artefact": scene.get("artefact", "none"),
                    "artefact_fraction": 0.3 if "artefact" in scene else 0.0,
                }
                for column, value in row.items():
                    self.told[column].append(value)

    def use(
        self, name: str = "DV-0001", later: timedelta = timedelta(0), missing: tuple[int, int] = (0, 0)
    ) -> Use:
        n = len(self.told["state"])
        return Use(n, name=name, begin=NOON + later, traces=self.traces, missing=range(*missing), **self.told)


therapies = st.builds(
    Therapy,
    scenes=st.lists(st.tuples(st.sampled_from(sorted(SCENES)), st.integers(1, 70)), min_size=2, max_size=9),
    seed=st.integers(0, 10**6),
    traces=st.sampled_from([1, 4, 5, 12]),
)


def course(*uses: Use, shuffled: int | None = None) -> Course:
    resolved, table, evidence = (
        pl.concat([getattr(use, part) for use in uses]) for part in ("resolved", "table", "evidence")
    )
    if shuffled is not None:
        resolved, table, evidence = (
            frame.sample(fraction=1.0, shuffle=True, seed=shuffled) for frame in (resolved, table, evidence)
        )
    return course_of(resolved, table, evidence, NO_CUTS, NO_NOTES, DEFINITIONS)


@settings(max_examples=20, deadline=None)
@given(st.lists(therapies, min_size=2, max_size=4), st.integers(0, 100))
def test_each_use_stands_alone_whatever_else_is_in_the_batch_and_in_any_order(
    some: list[Therapy], seed: int
) -> None:
    uses = [therapy.use(f"DV-000{i}") for i, therapy in enumerate(some)]
    together = course(*uses, shuffled=seed)
    alone = [course(use) for use in uses]
    for table in TABLES:
        assert_frame_equal(
            getattr(together, table), pl.concat([getattr(one, table) for one in alone]), check_exact=True
        )


@settings(max_examples=20, deadline=None)
@given(therapies, st.integers(1, 400))
def test_other_days_are_other_dates_and_nothing_else(therapy: Therapy, days: int) -> None:
    shift = timedelta(days=days)
    now, later = course(therapy.use()), course(therapy.use(later=shift))
    for table in TABLES:
        moved = getattr(now, table).with_columns(pl.col(pl.Datetime("us", "UTC")) + shift)
        assert_frame_equal(moved.drop("use_id"), getattr(later, table).drop("use_id"), check_exact=True)


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 120), st.integers(1, 80), st.booleans())
def test_other_days_of_one_summer_are_other_dates_and_nothing_else(
    first: int, days: int, counted: bool
) -> None:
    """By the site's wall clock: from April to October no change of summer time lies in between."""
    begin = utc(2031, 4, 2, 21, 30) + timedelta(days=first)

    def told(later: timedelta) -> tuple[pl.DataFrame, ...]:
        hours = steady(begin + later, 200)
        stepped = until(begin + later + timedelta(minutes=120), following(), ahead(75))
        lines = written(hours[:60] + hours[90:], stepped, record=7 if counted else None)
        next_day = steady(hours[0] + timedelta(days=1), 60)
        lines += written(next_day, ahead(75), record=177 if counted else None, session=2, first=170)
        found = resolved(*cut(lines, [(0, 130), (90, 230)]))
        whole = course_of(found.minutes, found.uses, EVIDENCE.empty(), NO_CUTS, NO_NOTES, DEFINITIONS)
        return found.minutes, found.uses, found.quality, *(getattr(whole, table) for table in TABLES)

    shift = timedelta(days=days)
    for now, later in zip(told(timedelta(0)), told(shift), strict=True):
        moved = now.with_columns(cs.date() + shift, cs.datetime() + shift)
        names = [name for name in now.columns if name != "use_id"]
        assert_frame_equal(moved.select(names), later.select(names), check_exact=True)


# What a hole takes from these it cannot give: a clamp that is no longer seen to be opened is still a stop.
WEAKER = {"flow_stopped": {"flow_stopped", "clamped"}}
# Verdicts of breathing hold over and are smoothed, and the leak is a median: a hole can move their edges.
SMOOTHED = {"tidaling_present", "tidaling_absent", "tidaling_indeterminate", "leak"}


@settings(max_examples=24, deadline=None)
@given(therapies, st.data())
def test_a_hole_never_makes_a_finding(therapy: Therapy, data: st.DataObject) -> None:
    n = len(therapy.told["state"])
    if n < 3:
        return
    first = data.draw(st.integers(1, n - 2))
    hole = (first, data.draw(st.integers(first + 1, n - 1)))
    whole = course_as_told(therapy.use()).minutes["flags"].to_list()
    holed = course_as_told(therapy.use(missing=hole)).minutes["flags"].to_list()
    for minute, (before, after) in enumerate(zip(whole, holed, strict=True)):
        for flag in set(after) - SMOOTHED - {"no_data"}:
            # "Cause unknown" lasts until something is seen; a hole can hide what would have ended it.
            if flag == "flow_stopped" and any(flag in flags for flags in whole[:minute]):
                continue
            assert WEAKER.get(flag, {flag}) & set(before), (minute, flag, hole)


@settings(max_examples=20, deadline=None)
@given(therapies, st.data())
def test_a_hole_makes_no_leak_where_there_was_no_air(therapy: Therapy, data: st.DataObject) -> None:
    n = len(therapy.told["state"])
    if n < 3:
        return
    therapy.told["leak"] = [None if ml is None else min(ml, 20.0) for ml in therapy.told["leak"]]
    first = data.draw(st.integers(1, n - 2))
    holed = course(therapy.use(missing=(first, data.draw(st.integers(first + 1, n - 1)))))
    assert holed.minutes["leak_on"].any() is False


@settings(max_examples=15, deadline=None)
@given(therapies)
def test_flags_and_periods_tell_the_same_minutes(therapy: Therapy) -> None:
    told = course(therapy.use())
    by_flags = told.minutes.explode("flags").drop_nulls("flags")["flags"].value_counts()
    by_periods = told.periods.group_by("kind").agg(pl.col("minutes").sum())
    assert dict(by_flags.rows()) == dict(by_periods.rows())
    assert (
        told.periods["ended_at"] - told.periods["started_at"]
    ).dt.total_minutes().to_list() == told.periods["minutes"].to_list()


@settings(max_examples=15, deadline=None)
@given(therapies)
def test_what_is_blank_is_never_a_finding(therapy: Therapy) -> None:
    blank = dict.fromkeys(("mean", "low", "high", "leak", "tilt", "volume", "alerts"))
    n = len(therapy.told["state"])
    told = course(Use(n, state="run", traces=lambda t: False, set_pressure=None, **blank))
    assert told.periods.height == told.alerts.height == told.canisters.height == 0
    assert set(told.minutes["tidaling"]) == {"not_assessable"}
    assert told.minutes["leak_on"].null_count() == told.minutes["output_ml"].null_count() == n
