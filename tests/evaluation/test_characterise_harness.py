"""The harness behind `make characterise`: its truth, its counting, its tables."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import polars as pl
import pytest

from tests.evaluation import characterise_families as family
from tests.evaluation.characterise import FOLDER, main
from tests.evaluation.characterise_disturbances import places, pump, within
from tests.evaluation.characterise_figures import false_alarms, issue_figures
from tests.evaluation.characterise_score import Figure, centre, judged, share, tally
from tests.evaluation.characterise_sweeps import Run, families
from tests.evaluation.characterise_tables import GUIDE, filled_in, marked_down
from tests.evaluation.characterise_traces import Recipe, draw

SILENT = {"noise": (1e-6, 1e-6), "drift": (0, 0), "quantum": 0.0, "inverted": 0.0, "sigh": 0.0}


def verdicts() -> pl.DataFrame:
    """Eight traces judged by hand: five breathe, three do not."""
    rows = [
        # breathing, verdict, true swing, median here, low, high, said swing, true rate, said rate
        (True, "present", 4.0, 4.2, 3.5, 4.5, 4.2, 15.0, 15.0),
        (True, "present", 4.0, 4.2, 4.1, 4.5, 4.2, 15.0, 15.5),
        (True, "present", 4.0, 4.0, 4.1, 4.9, 4.4, 15.0, 30.0),
        (True, "indeterminate", 1.0, 1.0, 0.8, 1.2, 1.0, 12.0, None),
        (True, "absent", 1.0, 1.0, 0.0, 0.4, None, 12.0, None),
        (False, "absent", None, None, 0.0, 0.3, None, None, None),
        (False, "not_assessable", None, None, None, None, None, None, None),
        (False, "present", None, None, 0.9, 1.1, 1.0, None, 12.0),
    ]
    columns = "breathing verdict swing swing_here swing_low_cmh2o swing_high_cmh2o swing_cmh2o rate breath_rate_per_min"
    return judged(pl.DataFrame(rows, schema=columns.split(), orient="row"))


def test_the_counts_are_those_made_by_hand() -> None:
    found = tally(verdicts(), ["breathing"]).to_dicts()
    none, breathing = found
    assert (none["traces"], none["present_pct"], none["absent_pct"], none["undecided_pct"]) == (
        3,
        33.33,
        33.33,
        33.33,
    )
    assert (breathing["present_pct"], breathing["absent_pct"], breathing["undecided_pct"]) == (60, 20, 20)
    assert breathing["covers_pct"] == 33.33  # of 4.0: the first alone
    assert breathing["covers_here_pct"] == 66.67  # of 4.2, 4.2, 4.0
    assert breathing["rate_error_per_min"] == pytest.approx((0 + 0.5 + 15) / 3, abs=1e-3)
    assert breathing["rate_off_by_2_pct"] == 33.33
    assert breathing["swing_error_pct"] == 0
    assert breathing["swing_off_pct"] == 0


def test_errors_are_counted_only_where_breathing_was_called_present() -> None:
    frame = verdicts()
    assert frame["rate_error"].is_not_null().to_list() == [True] * 3 + [False] * 5
    assert frame["covers"].is_not_null().to_list() == [True] * 3 + [False] * 5


def test_bounds_of_a_share_are_the_exact_ones() -> None:
    never = share("x", "y", pl.Series([False] * 100))
    assert never.low == 0
    assert never.high == pytest.approx(3.62, abs=0.005)  # 1 − 0.025^(1/100)
    seven = share("x", "y", pl.Series([True] * 7 + [False] * 13))
    assert (seven.low, seven.high) == pytest.approx((15.39, 59.22), abs=0.005)  # tables of Clopper & Pearson


@pytest.mark.parametrize(
    ("value", "low", "high", "reached"),
    [(99.6, 99.5, 99.9, "yes, beyond doubt"), (99.6, 99.3, 99.9, "yes"), (99.4, 99.3, 99.9, "no")],
)
def test_a_target_is_reached_by_the_figure_and_beyond_doubt_by_its_bound(
    value: float, low: float, high: float, reached: str
) -> None:
    assert Figure("x", "y", 1000, value, low, high, at_least=99.5).reached == reached


def test_a_figure_between_two_targets_needs_both() -> None:
    for value, reached in ((92.0, "no"), (95.0, "yes, beyond doubt"), (98.0, "no")):
        assert Figure("x", "y", 9, value, value, value, at_least=93, at_most=97).reached == reached


def test_the_bounds_of_a_mean_hold_it_and_repeat() -> None:
    values = pl.Series(np.random.default_rng(1).exponential(size=200))
    one, two = (centre("x", "y", values, "/min") for _ in range(2))
    assert one == two
    assert one.low < float(values.mean()) < one.high  # type: ignore[arg-type]


def test_a_trace_made_alone_is_the_one_made_among_others() -> None:
    many, few = (draw(family.COUGH, n, seconds=30, rate_hz=10, seed=3) for n in (5, 2))
    np.testing.assert_array_equal(many.samples[:2], few.samples)
    assert many.truth.head(2).equals(few.truth)


@pytest.mark.parametrize("shape", ["raised_cosine", "exponential", "paused", "ventilator", "neurokit"])
def test_a_breath_is_as_deep_and_as_long_as_the_truth_says(shape: str) -> None:
    recipe = Recipe(
        "check", swing=(4, 4), rate=(12, 12), shapes=(shape,), cv_time=(0.1, 0.1), cv_depth=(0, 0), **SILENT
    )
    made = draw(recipe, 6, seconds=60, rate_hz=50, seed=1)
    for trace, truth in zip(made.samples, made.truth.iter_rows(named=True), strict=True):
        middle = (trace.max() + trace.min()) / 2
        crossings = np.flatnonzero((trace[1:] < middle) & (trace[:-1] >= middle)) / 50
        assert 60 / np.diff(crossings).mean() == pytest.approx(truth["rate"], abs=0.6)
        if shape != "neurokit":  # its depth varies from breath to breath
            assert np.ptp(trace) == pytest.approx(truth["swing_here"], rel=0.03)


def test_real_recordings_come_at_the_swing_and_rate_wanted() -> None:
    recipe = replace(family.RECORDED[0], swing=(4, 4), rate=(14, 14), ward_rates=False, **SILENT)
    truth = draw(recipe, 8, seconds=60, rate_hz=10, seed=1).truth
    assert truth["swing_here"].median() == pytest.approx(4, rel=0.1)
    assert truth["rate"].mean() == pytest.approx(14, abs=1)


def test_where_no_breath_comes_nothing_is_left_of_it() -> None:
    made = draw(replace(family.BLOCKED, **SILENT), 20, seconds=60, rate_hz=10, seed=1)
    assert np.ptp(made.samples, axis=1).max() < 1e-3
    assert not made.truth["breathing"].any()


def test_episodes_fill_the_share_asked_for_and_never_overlap() -> None:
    times = np.arange(600) / 10
    for seed in range(20):
        episodes = places(np.random.default_rng(seed), 60, 0.3, 1.5, 10)
        assert within(times, episodes).mean() == pytest.approx(0.3, abs=0.02)
        assert all(a[1] <= b[0] for a, b in pairwise(episodes))


@pytest.mark.parametrize("shape", ["saw", "relaxation", "triangle", "sine"])
def test_a_pump_cycles_at_its_period_and_size(shape: str) -> None:
    wave = pump(np.random.default_rng(2), np.arange(6000) / 100, shape, 2.0, 5.0, 0.001)
    assert np.ptp(wave) == pytest.approx(2.0, rel=0.2)
    lag = (
        np.argmax(np.correlate(wave - wave.mean(), wave - wave.mean(), "full")[6000 + 200 : 6000 + 800]) + 201
    )
    assert lag / 100 == pytest.approx(5.0, abs=0.1)


def test_dropouts_and_range_show_as_the_codes_of_a_drain() -> None:
    lost = draw(family.FAULTS[3], 20, seconds=60, rate_hz=10, seed=1)
    np.testing.assert_allclose(np.isnan(lost.samples).mean(axis=1), lost.truth["missing_share"], atol=1e-9)
    assert lost.truth["missing_share"].min() > 0.02
    assert np.isinf(draw(family.FAULTS[1], 20, seconds=60, rate_hz=10, seed=1).samples).any()


def test_a_table_without_a_place_in_the_guide_is_an_error() -> None:
    with pytest.raises(ValueError, match="no place for pump"):
        filled_in("a guide", {"pump": "| |"})


@pytest.mark.parametrize("name", ["figures", "false-alarms", "families", "pump", "recordings"])
def test_the_guides_tables_are_the_ones_beside_it(name: str) -> None:
    guide = GUIDE.read_text(encoding="utf-8")
    table = marked_down(pl.read_csv(FOLDER / f"{name}.csv"))
    assert len(table.splitlines()) > 2
    assert all(line in guide for line in table.splitlines()[2:])


def test_the_quick_command_prints_every_target_and_writes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    before = {path: path.stat().st_mtime_ns for path in (GUIDE, *FOLDER.iterdir())}
    main(["--quick", "--traces", "5", "--seed", "4"])
    said = capsys.readouterr().out
    assert said.count("≥ ") + said.count("≤ ") >= 20
    assert {path: path.stat().st_mtime_ns for path in before} == before


@pytest.fixture(scope="module")
def quick() -> pl.DataFrame:
    """A small characterisation, other traces than the published ones."""
    return families(Run(seed=11, family=60, point=0, crossed=0))


def test_even_a_quick_run_is_within_loose_limits(quick: pl.DataFrame) -> None:
    """Limits that chance would not break in a hundred runs of 60 traces a family, and a broken detector would."""
    found = {(f.of, f.what): f.value for f in issue_figures(quick)}
    assert found["clean", "sensitivity"] >= 93
    assert found["clean", "specificity"] >= 98
    assert found["clean", "undecided"] <= 8
    assert found["cough or motion", "sensitivity"] >= 70
    assert found["cough or motion", "specificity"] >= 98
    assert found["hard", "false 'absent' of breathing"] <= 1.5
    assert found["all three", "breath rate, mean absolute error"] <= 0.4
    assert abs(found["all three", "swing, median error"]) <= 5


def test_noise_drift_steps_walking_and_coughs_are_not_breathing(quick: pl.DataFrame) -> None:
    alarms = {f.what: f.value for f in false_alarms(quick) if "pump" not in f.what}
    assert max(alarms.values()) <= 4, alarms
