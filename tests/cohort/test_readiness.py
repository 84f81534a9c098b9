"""Removal rules: when they would have held, on what was known by then, and what came after."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cohort.readiness import readiness
from pipeline.cohort.rules import RemovalRule, load_rules, read_rule
from pipeline.definitions import load_definitions
from schemas.errors import InputError

ORIGIN = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)
DEFINITIONS = load_definitions()
RULE = RemovalRule(
    name="a_rule",
    title="A rule of the tests",
    source="invented",
    caution="not a recommendation",
    leak_at_most=20,
    leak_hours=1,
    excursion_minutes=0,
    excursion_up_to=0,
    completeness_at_least=0.9,
    earliest_hours=0,
)


def after(minutes: float) -> datetime:
    return ORIGIN + timedelta(minutes=minutes)


def minutes_of(leak: list[float | None], **columns: list) -> pl.DataFrame:
    """Minutes of one drain from its leak; None is a minute without a row in the log."""
    total = len(leak)
    seen = [x is not None for x in leak]
    data: dict[str, Any] = {
        "drain_id": ["D"] * total,
        "minute": [after(i) for i in range(total)],
        "observed": seen,
        "state": ["run" if s else None for s in seen],
        "air_leak_ml_min": leak,
        "leak_median_ml_min": leak,
        "assessable": seen,
        "fluid": [0] * total,
        "volume_read": seen,
        "tidaling": ["present"] * total,
        "tidaling_basis": ["trace"] * total,
    }
    for kind in ("clamped", "line_open", "flow_stopped", "occlusion_suspected"):
        data[kind] = [False] * total
    return pl.DataFrame(
        data | columns,
        schema_overrides={
            "minute": pl.Datetime("us", "UTC"),
            "state": pl.String,
            "air_leak_ml_min": pl.Float64,
            "leak_median_ml_min": pl.Float64,
            "fluid": pl.Int64,
            "tidaling_basis": pl.String,
        },
    )


def applied(minutes: pl.DataFrame, out: float | None = None, entered: float = 0.0, **rule: Any) -> dict:
    drains = pl.DataFrame(
        {
            "drain_id": ["D"],
            "origin_at": [ORIGIN],
            "tube_out_at": [None if out is None else after(out)],
            "ended_at": [minutes.filter("observed")["minute"].max()],
            "entered_hours": [entered],
        },
        schema_overrides={"tube_out_at": pl.Datetime("us", "UTC"), "ended_at": pl.Datetime("us", "UTC")},
    )
    rules = (RemovalRule.model_validate(RULE.model_dump() | rule),)
    return readiness(minutes, drains, DEFINITIONS, rules).row(0, named=True)


def test_ready_after_the_rules_hours_of_little_leak() -> None:
    got = applied(minutes_of([100.0] * 30 + [20.0] * 100), out=130)
    # Minutes 30 to 89 are the first hour at or below the limit.
    assert got["ready_at"] == got["ready_since_at"] == after(89)
    assert got["hours_ready_before_removal"] == pytest.approx(41 / 60, abs=1e-6)
    assert got["removed_before_ready"] is False


def test_never_ready_and_removed_is_removed_before_ready() -> None:
    got = applied(minutes_of([100.0] * 30 + [5.0] * 59), out=89)
    assert (got["ready_at"], got["removed_before_ready"]) == (None, True)


def test_who_entered_late_or_left_the_log_may_have_been_ready_unseen() -> None:
    quiet = minutes_of([100.0] * 60)
    assert applied(quiet, out=60, entered=2.0)["removed_before_ready"] is None
    assert applied(quiet, out=60 + 6 * 60)["removed_before_ready"] is True
    assert applied(quiet, out=60 + 6 * 60 + 1)["removed_before_ready"] is None
    assert applied(quiet)["removed_before_ready"] is None


def test_a_brief_excursion_is_allowed_up_to_its_limit_and_length() -> None:
    spike = [5.0] * 40 + [50.0] * 3 + [5.0] * 17
    allowed = {"excursion_minutes": 3, "excursion_up_to": 50}
    assert applied(minutes_of(spike), **allowed)["ready_at"] == after(59)
    assert applied(minutes_of(spike), excursion_minutes=2, excursion_up_to=50)["ready_at"] is None
    assert applied(minutes_of(spike), excursion_minutes=3, excursion_up_to=49)["ready_at"] is None


@pytest.mark.parametrize("kind", ["clamped", "line_open", "flow_stopped", "occlusion_suspected"])
def test_the_clock_stops_while_the_line_is_not_open_to_the_lung(kind: str) -> None:
    stopped = [20 <= i < 50 for i in range(120)]
    got = applied(minutes_of([5.0] * 120, **{kind: stopped}))
    assert got["ready_at"] == after(89)


def test_a_pause_stops_the_clock() -> None:
    states = ["pause" if 20 <= i < 50 else "run" for i in range(120)]
    assert applied(minutes_of([5.0] * 120, state=states))["ready_at"] == after(89)


def test_missing_minutes_count_against_completeness() -> None:
    hole = [5.0] * 30 + [None] * 20 + [5.0] * 100
    # An hour of the clock with the hole in it takes 80 minutes: 75 %.
    assert applied(minutes_of(hole), completeness_at_least=0.75)["ready_at"] == after(79)
    assert applied(minutes_of(hole), completeness_at_least=0.76)["ready_at"] > after(79)


def test_the_fluid_of_the_hours_before_counts_once_they_are_over() -> None:
    fluid = [min(i, 100) for i in range(300)]  # 10 mL in the first 100 minutes, in steps of 0.1 mL
    asked = {"output_at_most": 5.0, "output_hours": 2.0}
    # From minute 170 on, no more than 30 of the 100 steps lie in the two hours before; 50 at minute 170.
    assert applied(minutes_of([5.0] * 300, fluid=fluid), **asked)["ready_at"] == after(170)


def test_fluid_that_nobody_read_lately_is_unknown() -> None:
    fluid = [0] * 100 + [None] * 200
    got = applied(minutes_of([5.0] * 300, fluid=fluid), output_at_most=5.0, output_hours=3.0)
    assert got["ready_at"] is None


def test_a_value_carried_on_is_no_reading() -> None:
    asked = {"output_at_most": 5.0, "output_hours": 3.0}
    for read_until, ready_at in ((300, after(180)), (121, after(180)), (120, None)):
        carried = minutes_of([5.0] * 300, volume_read=[i < read_until for i in range(300)])
        assert applied(carried, **asked)["ready_at"] == ready_at


def test_tidaling_must_have_been_seen_where_the_rule_asks() -> None:
    verdicts = ["present" if i < 30 else "absent" for i in range(200)]
    frame = minutes_of([5.0] * 200, tidaling=verdicts)
    assert applied(frame)["ready_at"] == after(59)
    assert applied(frame, tidaling_within_hours=0.5)["ready_at"] == after(59)
    assert applied(frame, tidaling_within_hours=0.4)["ready_at"] is None


def test_not_before_the_earliest_hour() -> None:
    assert applied(minutes_of([5.0] * 300), earliest_hours=4)["ready_at"] == after(240)


def test_the_unbroken_stretch_starts_after_the_last_time_it_did_not_hold() -> None:
    got = applied(minutes_of([5.0] * 60 + [90.0] + [5.0] * 100), out=161)
    assert (got["ready_at"], got["ready_since_at"]) == (after(59), after(120))


def test_a_leak_that_comes_back_needs_30_minutes_and_a_no_needs_watching() -> None:
    day = 24 * 60
    quiet = [5.0] * 60
    assert applied(minutes_of(quiet + [50.0] * 30))["leak_returned_within_24h"] is True
    assert applied(minutes_of(quiet + [50.0] * 29 + [5.0] * day))["leak_returned_within_24h"] is False
    assert applied(minutes_of(quiet + [5.0] * 600))["leak_returned_within_24h"] is None
    assert applied(minutes_of([90.0] * 600))["leak_returned_within_24h"] is None


@settings(deadline=None, max_examples=40)
@given(
    st.lists(
        st.tuples(st.sampled_from([5.0, 15.0, 30.0, 90.0, None]), st.integers(1, 60)), min_size=1, max_size=10
    ),
    st.integers(1, 400),
)
def test_later_minutes_never_move_an_earlier_ready(runs: list, cut: int) -> None:
    leak = [value for value, length in runs for _ in range(length)]
    if leak[0] is None:
        leak[0] = 5.0
    fluid = [i * 2 for i in range(len(leak))]
    rule = {"excursion_minutes": 5, "excursion_up_to": 40, "output_at_most": 30.0, "output_hours": 1.5}
    whole = minutes_of(leak, fluid=fluid)
    early = whole.head(cut)
    known_early = applied(early, **rule)["ready_at"]
    known_late = applied(whole, **rule)["ready_at"]
    if known_early is not None:
        assert known_late == known_early
    elif known_late is not None:
        assert known_late > early["minute"].max()


def test_shipped_rules_say_where_they_are_from_and_that_they_recommend_nothing() -> None:
    rules = load_rules()
    assert len(rules) >= 4
    assert all(rule.source and "not a recommendation" in rule.caution for rule in rules)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ("leak_at_most = 20", "leak_hours: field required"),
        ("colour = 1", "colour: extra inputs are not permitted"),
        ('caution = "do this"', "not a recommendation"),
        ("output_hours = 24", "go together"),
        ("leak_hours = 0", "leak_hours: input should be greater than 0"),
        ("= =", "not valid TOML"),
    ],
)
def test_a_wrong_rule_is_named_with_file_and_key(tmp_path: Path, change: str, named: str) -> None:
    lines = {
        "name": 'name = "mine"',
        "title": 'title = "Mine"',
        "source": 'source = "invented"',
        "caution": 'caution = "not a recommendation"',
        "leak_at_most": "leak_at_most = 20",
        "leak_hours": "leak_hours = 8",
        "excursion_minutes": "excursion_minutes = 0",
        "excursion_up_to": "excursion_up_to = 0",
        "completeness_at_least": "completeness_at_least = 0.9",
        "earliest_hours": "earliest_hours = 0",
    }
    key = change.split(" =")[0]
    if named.startswith("leak_hours: field"):
        del lines["leak_hours"]
    else:
        lines[key] = change
    path = tmp_path / "mine.toml"
    path.write_text("\n".join(lines.values()), encoding="utf-8")
    with pytest.raises(InputError, match=r"mine\.toml") as caught:
        read_rule(path)
    assert named in str(caught.value)


def test_two_rules_of_one_name_are_an_error(tmp_path: Path) -> None:
    source = next(iter(sorted((Path(__file__).parents[2] / "shared" / "rules").glob("*.toml"))))
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_bytes(source.read_bytes())
    with pytest.raises(InputError, match="more than one file"):
        load_rules(tmp_path)
