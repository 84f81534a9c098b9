"""The two comparisons behind the figures of tidaling run, and a few drains keep what they are to show."""

from __future__ import annotations

from tests.evaluation import tidaling_periods as periods
from tests.evaluation import tidaling_stops as stops


def test_a_few_drains_switch_falsely_less_than_once_a_day() -> None:
    told = periods.lived(range(1, 5), 5)
    figures = periods.scored(told, told.hysteresis, 5)
    assert figures["false switches a day"] < 1
    assert figures["off by, median min"] <= 5
    model = periods.scored(told, periods.by_model(periods.learnt(told, 2), told), 5)
    assert set(model) == set(figures)


def test_the_posterior_follows_what_a_trace_shows() -> None:
    told = periods.lived([1], 5)
    verdict = periods.by_model(periods.learnt(told, 1), told)
    shown = told.running & (told.symbol <= 1)
    said = (verdict == periods.PRESENT)[shown] == (told.symbol[shown] == 0)
    assert said.mean() > 0.98


def test_lungs_that_come_up_are_not_called_blocked() -> None:
    found = stops.Truth(stops.beside_truth("expansions", range(1, 6), 0))
    assert not found.told["occlusion_suspected"].any()


def test_forgotten_clamps_are_found_without_a_trace() -> None:
    found = stops.Truth(stops.beside_truth("clamps", range(1, 4), 0))
    words = [
        found.told_by(a, b)
        for a, b in stops.stretches(found.clamped, found.use)
        if found.tellable(a, "clamps")
    ]
    assert len(words) >= 4
    assert words.count("clamped") >= 0.9 * len(words)
