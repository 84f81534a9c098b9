"""Things that happen to a pressure trace at the bedside, and what may be said of it then."""

import numpy as np
import pytest
from scipy.signal import sawtooth

from pipeline.signal import assess
from tests.signal.calibrate import shaking
from tests.signal.pressure_traces import Breathing, breaths, coughs, heart, make, pump
from tests.signal.stranger_traces import regulated, strange

T = np.arange(600) / 10
QUIET = np.full(600, -20.0)


def drawn(trace: np.ndarray, seed: int = 1, noise: float = 0.04) -> np.ndarray:
    """As a sensor that reads to 0.1 sees it."""
    return np.round(trace + noise * np.random.default_rng(seed).standard_normal(len(trace)), 1)


def breathing(rate: float = 15.0, swing: float = 3.0, seed: int = 2, **how: object) -> np.ndarray:
    return breaths(np.random.default_rng(seed), 60, 10, Breathing(rate, swing, 0.06, 0.1, **how))  # type: ignore[arg-type]


def one(trace: np.ndarray, rate_hz: float = 10.0) -> dict[str, object]:
    return assess(np.asarray(trace)[None, :], rate_hz).row(0, named=True)


def test_crests_beyond_the_sensors_range_are_still_breaths_of_at_least_that_height() -> None:
    trace = drawn(QUIET + breathing(swing=6.0))
    trace[trace > -20.6], trace[trace < -24.5] = np.inf, -np.inf
    found = one(trace)
    assert (found["verdict"], found["artefact_kind"]) == ("present", "saturated")
    assert found["breath_rate_per_min"] == pytest.approx(15, abs=1.5)
    assert found["swing_cmh2o"] > 2.5
    assert found["swing_low_cmh2o"] <= 6.0
    assert found["swing_high_cmh2o"] is None


def test_a_trace_mostly_out_of_range_is_never_called_absent() -> None:
    trace = drawn(QUIET)
    trace[80:] = np.inf
    assert one(trace)["verdict"] == "not_assessable"


def test_stripping_the_tube_is_not_breath_and_hides_none() -> None:
    strips = np.zeros(600)
    for at in (12.0, 14.5, 17.5):
        u = np.clip((T - at) / 1.2, 0, 1)
        strips -= 25 * np.sin(np.pi * u) ** 2
    assert one(drawn(QUIET + strips))["verdict"] in ("absent", "indeterminate")
    found = one(drawn(QUIET + strips + breathing()))
    assert found["verdict"] == "present"
    assert found["swing_cmh2o"] == pytest.approx(3.0, rel=0.15)


@pytest.mark.parametrize("every", [2.0, 3.0, 5.0])
def test_hiccup_is_neither_breath_nor_cough(every: float) -> None:
    rng, hiccup = np.random.default_rng(4), np.zeros(600)
    for at in np.arange(1, 60, every) + rng.normal(0, 0.1, len(np.arange(1, 60, every))):
        u = (T - at) / 0.3
        hiccup -= np.where((u >= 0) & (u < 1), 6 * np.sin(np.pi * np.clip(u, 0, 1)), 0.0)
    found = one(drawn(QUIET + hiccup))
    assert found["verdict"] != "present"
    assert found["artefact_kind"] != "cough"


def test_ventilation_begun_midway_turns_the_breath_over_and_is_still_breathing() -> None:
    own = breathing(14.0, 3.0)
    machine = breaths(np.random.default_rng(5), 60, 10, Breathing(14.0, 4.0, 0.005, 0.02, inverted=True))
    assert one(drawn(QUIET + np.where(T < 30, own, machine)))["verdict"] in ("present", "indeterminate")


@pytest.mark.parametrize("to", [-8.0, 0.0, -25.0])
def test_a_change_between_suction_and_seal_is_no_breath_and_hides_none(to: float) -> None:
    level = np.interp(T, [30, 33], [-20.0, to])
    assert one(drawn(level))["verdict"] == "absent"
    found = one(drawn(level + breathing()))
    assert found["verdict"] == "present"
    assert found["swing_cmh2o"] == pytest.approx(3.0, rel=0.15)


@pytest.mark.parametrize("offset", [-8.0, 0.0, 12.0, 60.0])
def test_a_column_of_fluid_in_the_tube_changes_no_verdict(offset: float) -> None:
    with_breath, without = one(drawn(QUIET + offset + breathing())), one(drawn(QUIET + offset))
    assert (with_breath["verdict"], without["verdict"]) == ("present", "absent")
    assert with_breath["swing_cmh2o"] == one(drawn(QUIET + breathing()))["swing_cmh2o"]


@pytest.mark.parametrize("rate", [38.0, 42.0, 46.0])
def test_a_childs_breathing_is_seen_at_its_rate(rate: float) -> None:
    found = one(drawn(QUIET + breathing(rate, 2.5)))
    assert found["verdict"] == "present"
    assert found["breath_rate_per_min"] == pytest.approx(rate, abs=2)


def test_twelve_a_minute_is_neither_twenty_four_nor_six() -> None:
    for seed in range(20):
        found = one(drawn(QUIET + breathing(12.0, 3.0, seed, inspired_share=0.3, pause_share=0.3)))
        assert 10.5 < found["breath_rate_per_min"] < 13.5


def test_a_heart_that_aliases_into_the_band_is_no_proof_below_eight_hertz() -> None:
    """At 4.4 Hz a line of 252/min, the heart's third multiple, reads as 12/min."""
    t = np.arange(264) / 4.4
    found = one(drawn(-20 + 0.4 * np.sin(2 * np.pi * 252 / 60 * t), noise=0.02), 4.4)
    assert found["verdict"] == "indeterminate"


def test_an_apnoea_in_part_of_the_trace_is_never_absence() -> None:
    for begins in (10, 20, 30, 40):
        trace = np.where((begins <= T) & (begins + 15 > T), 0.0, breathing(16.0, 3.0))
        assert one(drawn(QUIET + trace))["verdict"] in ("present", "indeterminate")


def test_coughs_hide_no_breathing_and_make_none() -> None:
    bouts = coughs(np.random.default_rng(6), 60, 10, 0.3, 25)
    assert one(drawn(QUIET + bouts))["verdict"] == "absent"
    found = one(drawn(QUIET + bouts + breathing()))
    assert (found["verdict"], found["artefact_kind"]) == ("present", "cough")


@pytest.mark.parametrize("width", [0.05, 0.1, 0.9, 0.95])
@pytest.mark.parametrize("period", [3.0, 5.0, 8.0, 12.0])
def test_a_saw_tooth_of_either_lean_is_a_pumps(width: float, period: float) -> None:
    found = one(drawn(QUIET + 0.8 * sawtooth(2 * np.pi * T / period, width)))
    assert (found["verdict"], found["artefact_kind"]) == ("indeterminate", "pump")


def test_breathing_over_a_pumps_ripple_is_at_worst_undecided() -> None:
    ripple = pump(np.random.default_rng(8), 60, 10, 4.0, 0.6, 0.01, "saw")
    assert one(drawn(QUIET + ripple + breathing(22.0, 2.0)))["verdict"] in ("present", "indeterminate")


def test_the_bounds_hold_the_true_swing_of_small_breaths_beside_a_heart() -> None:
    for name in ("small", "fast", "heart"):
        batch = make(name, 400, 51, True)
        found = assess(batch.matrix(), 10.0)
        truth = np.array(batch.swings)
        inside = (found["swing_low_cmh2o"].to_numpy() <= truth) & (
            truth <= found["swing_high_cmh2o"].to_numpy()
        )
        assert 0.92 <= inside.mean() <= 0.99
        assert abs(np.median(found["swing_cmh2o"].to_numpy() / truth) - 1) <= 0.02


@pytest.mark.parametrize(
    ("name", "least"),
    # Its lengths and depths vary by as little as 1 %: small ones so even are left open, like a pump's.
    [("clean", 0.8), ("simulated", 0.8), ("heart", 0.75), ("cough", 0.75), ("motion", 0.85)],
)
def test_breathing_drawn_by_strangers_is_seen(name: str, least: float) -> None:
    found = assess(strange(name, 150, 61, True).matrix(), 10.0)
    assert found["verdict"].eq("present").mean() >= least
    assert not found["verdict"].eq("absent").any()


def even(swing: float, lengths: float, depths: float) -> np.ndarray:
    """Sixty traces of near-sine cycles whose lengths and depths vary so much."""
    how = Breathing(15.0, swing, lengths, depths, shape="sine")
    return np.vstack([drawn(QUIET + breaths(np.random.default_rng(k), 60, 10, how), k) for k in range(60)])


def test_small_cycles_as_even_as_a_pumps_are_left_open() -> None:
    found = assess(even(1.2, 0.002, 0.005), 10.0)
    assert found["verdict"].eq("indeterminate").all()
    assert found["artefact_kind"].eq("pump").all()


def test_breaths_as_uneven_as_breaths_are_seen_however_small() -> None:
    assert assess(even(1.0, 0.08, 0.15), 10.0)["verdict"].eq("present").mean() >= 0.95


def test_no_pump_lets_the_pressure_go_as_far_as_a_deep_breath() -> None:
    assert assess(even(4.0, 0.002, 0.005), 10.0)["verdict"].eq("present").all()


@pytest.mark.parametrize(("uneven", "named"), [(0.003, 0.95), (0.02, 0.95), (0.04, 0.9)])
def test_a_pump_that_hunts_smoothly_is_hardly_ever_taken_for_breath(uneven: float, named: float) -> None:
    rng = np.random.default_rng(12)
    cycles = [regulated(rng, 600, 10.0, rng.uniform(2.5, 9), rng.uniform(0.5, 2), uneven) for _ in range(300)]
    found = assess(np.vstack([drawn(QUIET + one) for one in cycles]), 10.0)
    assert found["verdict"].eq("present").mean() <= 0.01
    assert found["artefact_kind"].eq("pump").mean() >= named


def uneven(about: float, count: int = 60) -> np.ndarray:
    """Traces of near-sine cycles of 1.3 cm[H2O] whose depths vary by 9 %, taken up at one end (0) or at both (0.5)."""
    rng, traces = np.random.default_rng(14), []
    for _ in range(count):
        lengths, depths = 4 * np.exp(0.06 * rng.standard_normal(20)), np.exp(0.09 * rng.standard_normal(20))
        ends = np.cumsum(lengths)
        which = np.searchsorted(ends, T)
        wave = 0.5 - 0.5 * np.cos(2 * np.pi * (T - ends[which] + lengths[which]) / lengths[which])
        traces.append(drawn(QUIET - 1.3 * depths[which] * (wave - about)))
    return np.vstack(traces)


def test_a_chest_comes_back_to_the_same_rest_and_a_pump_misses_both_its_pressures_alike() -> None:
    at_one_end, at_both = (
        assess(uneven(about), 10.0)["verdict"].eq("present").mean() for about in (0.0, 0.5)
    )
    assert at_one_end >= 0.7
    assert at_both <= 0.2


def test_who_coughs_through_a_line_breathes_through_it() -> None:
    bouts = np.vstack([coughs(np.random.default_rng(k), 60, 10, 0.2, 25) for k in range(60)])
    without, beside = (
        assess(np.round(uneven(0.5) + cough, 1), 10.0)["verdict"].eq("present").mean()
        for cough in (0.0, bouts)
    )
    assert beside >= without + 0.2


def test_a_walk_in_a_narrow_band_is_no_breathing_though_it_cycles() -> None:
    assert assess(shaking(300, 13, 60.0), 10.0)["verdict"].eq("present").mean() <= 0.05


@pytest.mark.parametrize("name", ["clean", "cough", "motion", "heart", "pump", "hard", "pink"])
def test_nothing_drawn_by_strangers_is_taken_for_breath(name: str) -> None:
    found = assess(strange(name, 200, 62, False).matrix(), 10.0)
    assert found["verdict"].eq("present").mean() <= (0.015 if name in ("pump", "hard", "pink") else 0.0)


def test_noise_of_any_colour_is_taken_for_breath_at_most_once_in_a_thousand() -> None:
    """The stated chance is one in ten thousand: more than one in a thousand traces would deny it (p 0.005)."""
    assert assess(strange("pink", 1000, 63, False).matrix(), 10.0)["verdict"].eq("present").sum() <= 1


def test_the_heart_alone_is_not_breath_at_any_of_its_rates() -> None:
    for bpm in (55.0, 70.0, 95.0, 140.0):
        beat = heart(np.random.default_rng(9), 60, 10, bpm, 0.4)
        assert one(drawn(QUIET + beat))["verdict"] != "present"
