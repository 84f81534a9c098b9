"""Removal rules: when they would have held, on what was known by then, and what came after."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.cohort.readiness import readiness, readiness_followed
from pipeline.cohort.rules import RemovalRule, load_rules, read_rule
from pipeline.definitions import load_definitions
from schemas.errors import InputError
from schemas.lake import BEDSIDE

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
    """
    Minutes of one drain from its leak as read; None is a minute without a row in the log.

    `stopped`: minutes in which a rule's clock stands; `fluid`, `volume_read`, `breathing`: as known by then.
    """
    total = len(leak)
    given = {
        "stopped": [False] * total,
        "fluid": [0] * total,
        "volume_read": [True] * total,
        "breathing": [True] * total,
    } | columns
    frame = pl.DataFrame(
        {"drain_id": ["D"] * total, "minute": [after(i) for i in range(total)], "leak": leak} | given,
        schema_overrides={"minute": pl.Datetime("us", "UTC"), "leak": pl.Float64, "fluid": pl.Int64},
    )
    seen = frame.filter(pl.col("leak").is_not_null())
    breathed = pl.when("breathing").then("minute").forward_fill()
    return BEDSIDE.conform(
        seen.with_columns(
            leak_ml_min=pl.when(~pl.col("stopped")).then("leak"),
            stopped_so_far=pl.col("stopped").cast(pl.Int32).cum_sum(),
            output_so_far=pl.col("fluid").forward_fill(),
            read_at=pl.when(pl.col("volume_read") & pl.col("fluid").is_not_null())
            .then("minute")
            .forward_fill(),
            breathed_at=breathed,
            breathed_basis=pl.when(breathed.is_not_null()).then(pl.lit("trace")),
            leak_median_ml_min=pl.when(~pl.col("stopped")).then("leak"),
        )
    )


def drains_of(
    minutes: pl.DataFrame, out: float | None = None, entered: float = 0.0, reason: str | None = "planned"
) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "drain_id": [minutes["drain_id"][0]],
            "origin_at": [ORIGIN],
            "tube_out_at": [None if out is None else after(out)],
            "removal_reason": [reason],
            "ended_at": [minutes["minute"].max()],
            "entered_hours": [entered],
        },
        schema_overrides={
            name: pl.Datetime("us", "UTC") for name in ("origin_at", "tube_out_at", "ended_at")
        },
    )


def applied(minutes: pl.DataFrame, out: float | None = None, entered: float = 0.0, **rule: Any) -> dict:
    rules = (RemovalRule.model_validate(RULE.model_dump() | rule),)
    return readiness(minutes, drains_of(minutes, out, entered), DEFINITIONS, rules).row(0, named=True)


def test_ready_after_the_rules_hours_of_little_leak() -> None:
    got = applied(minutes_of([100.0] * 30 + [20.0] * 100), out=130)
    # Minutes 30 to 89 are the first hour at or below the limit.
    assert got["ready_at"] == got["ready_since_at"] == after(89)
    assert got["hours_ready_before_removal"] == pytest.approx(41 / 60, abs=1e-6)
    assert got["removed_before_ready"] is False


def test_never_ready_and_removed_is_removed_before_ready() -> None:
    got = applied(minutes_of([100.0] * 30 + [5.0] * 59), out=89)
    assert (got["ready_at"], got["removed_before_ready"]) == (None, True)


@pytest.mark.parametrize("reason", ["died", "transferred_with_drain", "discharged_with_drain", "replaced"])
def test_who_left_with_the_tube_was_not_removed_before_ready(reason: str) -> None:
    minutes = minutes_of([200.0] * 120)
    found = readiness(minutes, drains_of(minutes, 120, reason=reason), DEFINITIONS, (RULE,))
    assert found["removed_before_ready"].to_list() == [None]


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


def test_the_clock_stops_while_the_line_is_not_open_to_the_lung() -> None:
    stopped = [20 <= i < 50 for i in range(120)]
    assert applied(minutes_of([5.0] * 120, stopped=stopped))["ready_at"] == after(89)


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
    frame = minutes_of([5.0] * 200, breathing=[i < 30 for i in range(200)])
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


def test_how_long_the_day_after_was_watched_is_told() -> None:
    got = applied(minutes_of([5.0] * (60 + 720)))
    assert (got["watched_24h_share"], got["leak_returned_within_24h"]) == (0.5, None)
    assert applied(minutes_of([90.0] * 600))["watched_24h_share"] is None


@pytest.mark.parametrize(
    ("later", "times"),
    [
        ([5.0] * 100 + [50.0] * 30, (130, 130)),
        ([50.0] * 20 + [5.0] * 40 + [50.0] * 10 + [5.0] * 50, (70, 120)),
        ([50.0] * 29 + [5.0] * 71, (None, 100)),
        ([5.0] * 1296, (None, 1440)),  # 90 % of the day after is all of it
        ([5.0] * 2000 + [50.0] * 60, (None, 1440)),
        ([], (None, 0)),
    ],
)
def test_when_the_leak_was_back_and_how_long_that_was_watched(later: list[float], times: tuple) -> None:
    frame = minutes_of([5.0] * 60 + later)
    rules = (RULE, RemovalRule.model_validate(RULE.model_dump() | {"name": "never", "earliest_hours": 999}))
    got = readiness_followed(frame, drains_of(frame, None, 0.0), DEFINITIONS, rules).sort("rule")
    by_rule = dict(
        zip(got["rule"], got.select("returned_after_minutes", "followed_minutes").rows(), strict=True)
    )
    assert by_rule == {RULE.name: times, "never": (None, None)}


def test_many_rules_at_once_say_what_each_says_alone() -> None:
    leak = [90.0] * 100 + [15.0] * 200 + [30.0] * 5 + [8.0] * 600
    frame = minutes_of(
        leak, fluid=[i // 3 for i in range(len(leak))], breathing=[i < 350 for i in range(905)]
    )
    rules = [
        RemovalRule.model_validate(RULE.model_dump() | {"name": f"r{number}"} | more)
        for number, more in enumerate(
            {
                "leak_at_most": limit,
                "leak_hours": span,
                "excursion_minutes": allowed,
                "excursion_up_to": limit + 20 * bool(allowed),
                "output_at_most": most,
                "output_hours": None if most is None else 2,
                "tidaling_within_hours": within,
            }
            for limit in (10, 20)
            for span in (1, 4)
            for allowed in (0, 5)
            for most in (None, 4.0)
            for within in (None, 2)
        )
    ]
    drains = drains_of(frame)
    together = readiness(frame, drains, DEFINITIONS, rules)
    apart = pl.concat([readiness(frame, drains, DEFINITIONS, [rule]) for rule in rules]).sort(
        "drain_id", "rule"
    )
    assert together.equals(apart)
    assert together["ready_at"].n_unique() > 5


def test_drains_do_not_reach_into_one_another() -> None:
    quiet, leaking = minutes_of([5.0] * 90), minutes_of([90.0] * 90)
    names = ("A", "B", "C", "D")
    frames = [
        f.with_columns(drain_id=pl.lit(n))
        for f, n in zip((leaking, quiet, leaking, quiet), names, strict=True)
    ]
    both = pl.concat(frames)
    drains = pl.concat([drains_of(f) for f in frames])
    got = readiness(both, drains, DEFINITIONS, (RULE,))
    assert got["ready_at"].to_list() == [None, after(59), None, after(59)]


def test_a_drain_without_a_minute_is_never_ready() -> None:
    none = drains_of(minutes_of([5.0])).with_columns(drain_id=pl.lit("unlogged"))
    got = readiness(minutes_of([5.0]).clear(), none, DEFINITIONS, (RULE,))
    assert got.select("drain_id", "rule", "ready_at").rows() == [("unlogged", "a_rule", None)]


def test_shipped_rules_say_where_they_are_from_and_that_they_recommend_nothing() -> None:
    rules = load_rules()
    assert len(rules) >= 4
    assert all(rule.source and "not a recommendation" in rule.caution for rule in rules)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ("leak_at_most = 20", "leak_hours: field required"),
        ("colour = 1", "colour is no key of a rule; there are name, title"),
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
