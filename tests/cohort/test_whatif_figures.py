"""What a rule would have done: hours, those who left before, the leak that came back, and grids of rules."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cohort.rule_grid import read_axis, read_grid, rule_named, spread
from pipeline.cohort.whatif import whatif
from pipeline.definitions import load_definitions
from schemas.errors import CallError, InputError
from schemas.whatif import FOLLOWED, WHATIF

ORIGIN = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)
RULE = rule_named("leak_20_for_8_hours")
INSTANT = pl.Datetime("us", "UTC")


def hour(number: float | None) -> datetime | None:
    return None if number is None else ORIGIN + timedelta(hours=number)


def followed(drain: dict[str, Any]) -> int:
    watched = drain.get("watched", 1.0)
    return 1440 if watched >= 0.9 else drain.get("until", round(1440 * watched))


def looked_at(*drains: dict[str, Any]) -> dict[str, Any]:
    """
    The figures of one rule over drains told as: ready (h), out (h), reason, before (left before ready), back,
    back_after (min), watched (share of the day after), until (min), reinserted, readmitted (h), pneumothorax, site.
    """
    ready, rows = [], []
    for number, drain in enumerate(drains):
        at = drain.get("ready")
        ready.append(
            {
                "drain_id": f"D{number}",
                "rule": RULE.name,
                "ready_at": hour(at),
                "removed_before_ready": drain.get("before", None if at is None else False),
                "leak_returned_within_24h": drain.get("back"),
                "watched_24h_share": None if at is None else drain.get("watched", 1.0),
                "returned_after_minutes": drain.get("back_after", 600) if drain.get("back") else None,
                "followed_minutes": None if at is None else followed(drain),
            }
        )
        rows.append(
            {
                "drain_id": f"D{number}",
                "site": drain.get("site", "lakeside"),
                "origin_at": ORIGIN,
                "tube_out_at": hour(drain.get("out")),
                "removal_reason": drain.get("reason", "planned"),
                "reinserted_at": hour(drain.get("reinserted")),
                "readmitted_at": hour(drain.get("readmitted")),
                "pneumothorax_after": drain.get("pneumothorax"),
            }
        )
    told = FOLLOWED.conform(pl.DataFrame(ready, schema_overrides={"ready_at": INSTANT}))
    instants = dict.fromkeys(("origin_at", "tube_out_at", "reinserted_at", "readmitted_at"), INSTANT) | {
        "pneumothorax_after": pl.String
    }
    got = whatif(told, pl.DataFrame(rows, schema_overrides=instants), (RULE,), load_definitions())
    return WHATIF.validate(got).row(0, named=True)


def test_hours_run_from_the_first_ready_minute_to_the_removal() -> None:
    got = looked_at(
        {"ready": 20, "out": 30},
        {"ready": 10, "out": 40},
        {"ready": 50, "out": 50},
        {"ready": None, "out": 9},
    )
    assert (got["drains"], got["ready"], got["removed_after_ready"]) == (4, 3, 2)
    assert (got["hours_to_removal_median"], got["hours_to_removal_total"]) == (20.0, 40.0)
    assert got["ready_after_hours_median"] == 20.0


def test_who_died_or_went_with_the_drain_had_no_removal() -> None:
    got = looked_at(
        {"ready": 20, "out": 30, "reason": "died"},
        {"ready": 20, "out": 30, "reason": "transferred_with_drain"},
        {"ready": 20, "out": 30, "reason": None},
        {"ready": 20, "out": None, "reason": None},
        {"ready": None, "out": 5, "reason": "died", "before": True},
    )
    assert (got["removed_after_ready"], got["hours_to_removal_total"]) == (1, 10.0)
    assert (got["removal_told"], got["removed_before_ready"]) == (1, 0)


def test_left_before_ready_is_of_those_of_whom_it_can_be_told() -> None:
    got = looked_at(
        {"ready": None, "out": 5, "before": True},
        {"ready": 10, "out": 20},
        {"ready": None, "out": 30, "before": None},
    )
    assert (got["removed_before_ready"], got["removal_told"], got["removed_before_ready_share"]) == (
        1,
        2,
        0.5,
    )
    assert got["removed_before_ready_low"] == pytest.approx(0.0945, abs=1e-4)  # Wilson, 1 of 2


def test_a_leak_seen_to_come_back_is_known_however_little_was_watched() -> None:
    got = looked_at(
        {"ready": 10, "back": True, "watched": 1.0},
        {"ready": 10, "back": False, "watched": 0.9},
        {"ready": 10, "back": False, "watched": 0.95},
        {"ready": 10, "back": True, "watched": 0.3},
        {"ready": 10, "back": None, "watched": 0.3},
        {"ready": 10, "back": None, "watched": 0.0},
        {"ready": None, "before": True},
    )
    assert (got["watched_fully"], got["watched_partly"], got["watched_not"]) == (3, 2, 1)
    assert (got["leak_back"], got["leak_back_partly"]) == (2, 1)
    # Watched until 432 min, back at 600, 600: one of four left (one was never watched), then two of four.
    assert got["leak_back_share"] == pytest.approx(0.5)
    assert got["leak_back_if_unknown_no"] == 2 / 6
    assert got["leak_back_if_unknown_yes"] == 4 / 6


def test_the_estimate_is_one_minus_the_product_over_those_still_watched() -> None:
    got = looked_at(
        {"ready": 10, "back": True, "back_after": 100},
        {"ready": 10, "back": True, "back_after": 700, "watched": 0.6},
        {"ready": 10, "back": None, "watched": 0.4, "until": 500},
        {"ready": 10, "back": False},
        {"ready": 10, "back": None, "watched": 0.0},
    )
    assert got["leak_back_share"] == pytest.approx(1 - 3 / 4 * 1 / 2)


def test_with_everybody_watched_the_interval_is_wilsons() -> None:
    rows = [{"ready": 10, "back": k < 15, "back_after": 40 + 7 * k} for k in range(148)]
    got = looked_at(*rows)
    told = tuple(got[f"leak_back_{part}"] for part in ("share", "low", "high"))
    assert told == pytest.approx((15 / 148, 0.0624, 0.1605), abs=5e-5)  # Newcombe 1998
    none = looked_at(*[{"ready": 10, "back": False}] * 20, {"ready": 10, "watched": 0.2})
    assert none["leak_back_share"] == 0
    assert none["leak_back_high"] == pytest.approx(0.1611, abs=5e-5)  # Newcombe 1998: 0 of 20


def test_where_nobody_was_watched_for_a_day_nothing_is_estimated() -> None:
    got = looked_at({"ready": 10, "back": True}, {"ready": 10, "watched": 0.7})
    assert (got["leak_back"], got["leak_back_share"], got["leak_back_low"]) == (1, None, None)
    assert (got["leak_back_if_unknown_no"], got["leak_back_if_unknown_yes"]) == (0.5, 1.0)


WATCHED = st.one_of(st.just(0.0), st.floats(0.03, 1.0))


@st.composite
def a_ready_drain(draw: st.DrawFn) -> dict[str, Any]:
    watched = draw(WATCHED)
    until = 0 if watched == 0 else draw(st.integers(round(1440 * watched), 1440))
    span = 1440 if watched >= 0.9 else until
    after = draw(st.integers(30, span)) if span >= 30 and draw(st.booleans()) else None
    back = True if after else (False if watched >= 0.9 else None)
    return {"ready": 10, "watched": watched, "until": until, "back": back, "back_after": after}


@given(st.lists(a_ready_drain(), min_size=1, max_size=12))
@settings(deadline=None, max_examples=150)
def test_the_estimate_lies_between_its_bounds_whoever_was_watched(drains: list[dict[str, Any]]) -> None:
    got = looked_at(*drains)
    low, high = got["leak_back_if_unknown_no"], got["leak_back_if_unknown_yes"]
    assert 0 <= low <= high <= 1
    if got["leak_back_share"] is not None:
        assert low <= got["leak_back_share"] <= high
        assert got["leak_back_low"] <= got["leak_back_share"] + 1e-12
        assert got["leak_back_share"] <= got["leak_back_high"] + 1e-12
    else:
        assert not any(one["back"] is False for one in drains)


def test_of_no_ready_drain_no_share_is_known() -> None:
    got = looked_at({"ready": None, "out": 5, "before": True})
    assert (got["leak_back_share"], got["leak_back_low"], got["leak_back_if_unknown_yes"]) == (
        None,
        None,
        None,
    )
    assert (got["hours_to_removal_median"], got["hours_to_removal_total"]) == (None, 0.0)


def test_what_followed_removal_is_shown_apart_where_the_registry_tells() -> None:
    got = looked_at(
        {"ready": 10, "out": 20, "pneumothorax": "Yes ", "reinserted": 25},
        {"ready": 10, "out": 20, "pneumothorax": "no"},
        {"ready": 10, "out": 20, "pneumothorax": "small apical"},
        {"ready": None, "out": 5, "before": True, "pneumothorax": "yes", "reinserted": 4},
        {"ready": 10, "out": 20, "site": "north"},
    )
    assert (got["pneumothorax_after_ready"], got["pneumothorax_after_ready_told"]) == (1, 2)
    assert (got["pneumothorax_before_ready"], got["pneumothorax_before_ready_told"]) == (1, 1)
    # A drain put in before this one came out is no reinsertion after it; a site without the column tells nothing.
    assert (got["reinserted_after_ready"], got["reinserted_after_ready_told"]) == (1, 3)
    assert (got["reinserted_before_ready"], got["reinserted_before_ready_told"]) == (0, 1)
    assert (got["readmitted_after_ready_told"], got["readmitted_after_ready_share"]) == (0, None)


class TestGrids:
    FILE = """
name = "mine"
title = "A grid"
source = "invented"
caution = "not a recommendation"
leak_at_most = [10, 20]
leak_hours = 6
excursion_minutes = 0
excursion_up_to = 0
output_at_most = [300, "none"]
output_hours = 24
completeness_at_least = 0.9
earliest_hours = 0
"""

    def test_every_combination_is_a_rule_the_last_axis_fastest(self, tmp_path: Path) -> None:
        path = tmp_path / "grid.toml"
        path.write_text(self.FILE, encoding="utf-8")
        grid = read_grid(path)
        told = [(rule.leak_at_most, rule.output_at_most, rule.output_hours) for rule in grid.rules]
        assert told == [(10, 300, 24), (10, None, None), (20, 300, 24), (20, None, None)]
        assert grid.axes == {"leak_at_most": (10, 20), "output_at_most": (300, None)}
        assert len({rule.name for rule in grid.rules}) == 4
        assert grid.rules[1].title == "leak at most 10 mL/min, output at most not asked"
        assert all("not a recommendation" in rule.caution for rule in grid.rules)

    @pytest.mark.parametrize(
        ("old", "new", "named"),
        [
            (
                "leak_hours = 6",
                "leak_ours = [6]",
                "leak_ours is no figure of a rule; did you mean leak_hours?",
            ),
            ("leak_hours = 6", "leak_ours = 6", "leak_ours is no key of a rule; did you mean leak_hours?"),
            ("leak_hours = 6", "zz = [6]", "zz is no figure of a rule; there are leak_at_most, leak_hours"),
            ("[10, 20]", '[10, "many"]', "'many' is not a number"),
            ("[10, 20]", "[]", "leak_at_most has no values"),
            ("[10, 20]", "[10, -1]", "leak_at_most: input should be greater than or equal to 0"),
            ("excursion_minutes = 0", "excursion_minutes = 5", "excursion_up_to must lie above"),
            ('= [300, "none"]', "= 300\ncolour = 3", "colour is no key of a rule; there are name, title"),
            ("= 24", "=", "not valid TOML"),
        ],
    )
    def test_a_wrong_grid_is_named_with_file_and_key(
        self, tmp_path: Path, old: str, new: str, named: str
    ) -> None:
        path = tmp_path / "grid.toml"
        path.write_text(self.FILE.replace(old, new), encoding="utf-8")
        with pytest.raises(InputError, match=r"grid\.toml") as caught:
            read_grid(path)
        assert named in str(caught.value)

    def test_a_combination_that_cannot_be_is_skipped_and_counted(self, tmp_path: Path) -> None:
        path = tmp_path / "grid.toml"
        text = self.FILE.replace("minutes = 0", "minutes = 5").replace("up_to = 0", "up_to = [15, 40]")
        path.write_text(text.replace('[300, "none"]', "300"), encoding="utf-8")
        grid = read_grid(path)
        told = [(rule.leak_at_most, rule.excursion_up_to) for rule in grid.rules]
        assert told == [(10, 15), (10, 40), (20, 40)]
        assert grid.skipped == 1

    def test_a_value_given_twice_makes_each_rule_once(self) -> None:
        base = rule_named("leak_20_output_300").model_dump()
        grid = spread(base, {"leak_hours": [4, 4, "4.0"], "leak_at_most": [10]}, "test")
        assert [rule.leak_hours for rule in grid.rules] == [4]
        assert grid.axes["leak_hours"] == (4,)
        # Fluid that is not asked is not asked over any number of hours.
        fluid = {"output_at_most": [300, "none"], "output_hours": [12, 24]}
        told = [(rule.output_at_most, rule.output_hours) for rule in spread(base, fluid, "test").rules]
        assert told == [(300, 12), (300, 24), (None, None)]

    def test_a_rule_without_a_list_is_no_grid(self, tmp_path: Path) -> None:
        path = tmp_path / "grid.toml"
        path.write_text(self.FILE.replace("[10, 20]", "10").replace('[300, "none"]', "300"), encoding="utf-8")
        with pytest.raises(InputError, match="no key has a list"):
            read_grid(path)

    def test_a_grid_has_its_limits(self) -> None:
        with pytest.raises(InputError, match="3000 rules"):
            spread(RULE.model_dump(), {"leak_at_most": range(1, 31), "leak_hours": range(1, 101)}, "--axis")

    def test_an_axis_as_typed(self) -> None:
        assert read_axis("leak_at_most = 10, 20") == ("leak_at_most", ["10", "20"])
        for wrong in ("leak_at_most", "=3", "leak_at_most="):
            with pytest.raises(CallError, match="KEY=VALUE"):
                read_axis(wrong)

    def test_a_rule_that_is_nowhere_is_told_with_those_there_are(self) -> None:
        with pytest.raises(CallError, match=r"shipped are .*leak_20_for_8_hours"):
            rule_named("leak_5")
        with pytest.raises(CallError, match=r"mine\.toml: cannot be read"):
            rule_named("mine.toml")
