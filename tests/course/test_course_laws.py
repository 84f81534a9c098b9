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


@settings(max_examples=10, deadline=None)
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


@settings(max_examples=10, deadline=None)
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


# Findings that a hole may move the edges of, and never make. `tidaling_indeterminate` says that it is unknown.
FOUND = (
    "leak",
    "clamped",
    "occlusion_suspected",
    "line_open",
    "suction_shortfall",
    "output_surge",
    "tidaling_present",
    "tidaling_absent",
)
STOPS = ("clamped", "flow_stopped", "occlusion_suspected")


def left_of(kind: str, flags: list[str]) -> bool:
    """Whether a finding may be what a hole left of a minute with these flags: a clamp not seen opened is a stop."""
    if kind == "flow_stopped":
        return not set(STOPS).isdisjoint(flags)
    if kind == "occlusion_suspected" and "clamped" not in flags:
        return not {"flow_stopped", "occlusion_suspected", "tidaling_absent"}.isdisjoint(flags)
    return kind in flags


def unbroken(flags: list[list[str]], kind: str) -> list[range]:
    """The minutes of each stretch of a kind."""
    edges: list[int] = []
    held = False
    for place, here in enumerate([*flags, []]):
        if (kind in here) != held:
            edges.append(place)
            held = not held
    return [range(*pair) for pair in zip(edges[::2], edges[1::2], strict=True)]


def made_by_a_hole(whole: pl.DataFrame, holed: pl.DataFrame, hole: range) -> list[tuple[str, range]]:
    """The stretches of a log with a hole of which the whole log has nothing."""
    before, after = (frame["flags"].to_list() for frame in (whole, holed))
    counted = zip(whole["assessable"], holed["assessable"], holed["air_leak_ml_min"], strict=True)
    most = DEFINITIONS.leak.on_above
    differ = {minute for minute, (was, now, ml) in enumerate(counted) if now and not was and (ml or 0) > most}
    half = DEFINITIONS.leak.half_window
    made = []
    for kind in (*FOUND, "flow_stopped"):
        had = {minute for minute, flags in enumerate(before) if left_of(kind, flags)}
        for minutes in unbroken(after, kind):
            # In the hole itself it may have been, where it reaches the hole's edge.
            reached = set(minutes) | (
                set(hole) if hole.stop == minutes[0] or hole.start == minutes.stop else set()
            )
            if kind == "flow_stopped":
                reached |= {minutes[0] - 1}
            other_minutes = kind == "leak" and differ & set(range(minutes[0] - half, minutes.stop + half))
            behind = kind == "flow_stopped" and minutes[0] >= hole.stop
            if not (reached & had or other_minutes or behind):
                made.append((kind, minutes))
    return made


@settings(max_examples=30, deadline=None)
@given(therapies, st.booleans(), st.data())
def test_a_hole_never_makes_a_finding(therapy: Therapy, traced: bool, data: st.DataObject) -> None:
    """
    Every stretch found in a log with a hole is one of the whole log, or what is left of one beside the hole.

    Through the whole course, envelope and hysteresis included. What may be new says in its own words that
    it is not known, or rests on such a word:

    - `flow_stopped`, cause unknown: what is left of a clamp or an occlusion; it goes on until something is
      seen; and behind a hole the hour before (whether the leak had lasted, whether breathing had gone first)
      is not there to say otherwise. Were it to be withheld, its zeros would count as those of a sealed lung.
    - `occlusion_suspected`, a suspicion, where the whole log shows breathing absent as well, and no clamp:
      fluid that speaks against it may lie in the hole.
    - `leak` where minutes with air count for it that in the whole log do not, because the hole hid that the
      air was the room's or the line shut: with the same minutes it never is (`test_a_hole_never_makes_a_leak`).
    """
    n = len(therapy.told["state"])
    if n < 3:
        return
    first = data.draw(st.integers(1, n - 2))
    hole = range(first, data.draw(st.integers(first + 1, n - 1)))
    if not traced:
        therapy.traces = n + 1
    whole, holed = (
        course(use).minutes for use in (therapy.use(), therapy.use(missing=(hole.start, hole.stop)))
    )
    assert {tuple(flags) for flags in holed["flags"].to_list()[hole.start : hole.stop]} == {("no_data",)}
    assert made_by_a_hole(whole, holed, hole) == []


plateaus = st.lists(
    st.tuples(st.sampled_from([0.0, 15.0, 21.0, 70.0, None]), st.booleans(), st.integers(1, 70)),
    min_size=2,
    max_size=8,
)


@settings(max_examples=20, deadline=None)
@given(plateaus, st.data())
def test_a_hole_never_makes_a_leak(levels: list[tuple[float | None, bool, int]], data: st.DataObject) -> None:
    """Where the leak is on in a log with any number of holes, it is on in the whole log at that very minute."""
    told = [(ml, "pause" if paused else "run") for ml, paused, length in levels for _ in range(length)]
    n = len(told)
    leak, state = ([one[place] for one in told] for place in (0, 1))
    gone: set[int] = set()
    for _ in range(data.draw(st.integers(1, 4))):
        first = data.draw(st.integers(0, n - 1))
        gone |= set(range(first, first + data.draw(st.integers(1, 40))))
    gone -= {0, n - 1}
    whole, holed = (
        course_as_told(Use(n, leak=leak, state=state, missing=missing)).minutes for missing in ((), gone)
    )
    on = holed["leak_on"].fill_null(False)
    assert whole["leak_on"].fill_null(False).filter(on).all()
    assert not any("leak" in flags for flags in holed.filter(~pl.col("observed"))["flags"])


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
