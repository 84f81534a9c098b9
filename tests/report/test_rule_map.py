"""The map of removal rules: one cell a rule, with its figure and what it is of."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.cohort.rule_grid import RuleGrid, rule_named, spread
from pipeline.report.look import picture
from pipeline.report.rule_map import rule_map
from schemas.errors import CallError
from schemas.whatif import RULE_FIGURES, WHATIF


def figures_of(grid: RuleGrid) -> pl.DataFrame:
    rows = [
        {
            "rule": rule.name,
            "title": rule.title,
            **{name: getattr(rule, name) for name in RULE_FIGURES},
            "drains": 40,
            "hours_to_removal_median": 10.0 + number,
            "removed_after_ready": 30 - number,
            "removed_before_ready": number,
            "removal_told": 38,
            "removed_before_ready_share": number / 38,
            "leak_back": 0,
            "watched_fully": number,
            "watched_partly": 0,
            "leak_back_share": 0.0 if number else None,
        }
        for number, rule in enumerate(grid.rules)
    ]
    return WHATIF.conform(pl.DataFrame(rows, infer_schema_length=None))


def grid(**axes: list) -> RuleGrid:
    return spread(rule_named("leak_20_output_300").model_dump(), axes, "test")


def told(rules: RuleGrid) -> str:
    """The chart as it is handed to be drawn."""
    return str(rule_map(figures_of(rules), rules.axes).to_dict())


def test_every_rule_of_a_grid_has_its_cell(tmp_path: Path) -> None:
    rules = grid(leak_at_most=[10, 20], leak_hours=[4, 6, 8])
    drawn = picture(rule_map(figures_of(rules), rules.axes), tmp_path / "map.svg")
    svg = drawn.read_text(encoding="utf-8")
    for number in range(6):
        assert f">{10 + number}<" in svg
        assert f">of {30 - number}<" in svg
        assert f">{number} of 38<" in svg
    for word in ("leak at most, mL/min", "for so many hours", "No rule is a recommendation"):
        assert word in svg
    assert "–<" in svg  # nobody was watched: no share


def test_further_axes_make_further_rows_of_maps() -> None:
    chart = told(grid(leak_at_most=[10, 20], leak_hours=[4, 6], output_at_most=[300, "none"]))
    assert "output at most, mL: 300" in chart
    assert "output at most, mL: not asked" in chart


def test_too_many_rows_are_refused_with_a_reason() -> None:
    many = grid(leak_at_most=[10, 20], leak_hours=[4, 6], output_at_most=[100 * i for i in range(1, 9)])
    with pytest.raises(CallError, match="8 rows of maps"):
        rule_map(figures_of(many), many.axes)


def test_rules_that_are_no_grid_stand_below_one_another() -> None:
    chart = told(RuleGrid((rule_named("leak_20_for_8_hours"), rule_named("leak_40_for_6_hours")), {}))
    assert "Leak at most 20 mL/min for 8 hours" in chart
    assert "Leak at most 40 mL/min for 6 hours" in chart
