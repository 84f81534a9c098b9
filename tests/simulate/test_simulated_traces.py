"""Simulated pressure traces against measurements made another way."""

import itertools
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from pipeline.simulate import Plan, Stretch, Waveform, quiet_plan, therapy, traces, waveforms
from pipeline.simulate.plan import DAY, HOUR
from pipeline.simulate.pressure import digitise


def made(shape: Waveform, seconds: float = 60, rate_hz: float = 10.0, seed: int = 3) -> np.ndarray:
    return waveforms(np.random.default_rng(seed), shape, seconds, rate_hz)


def counted_breaths(trace: np.ndarray) -> int:
    """Breaths counted by hand's rule: falls through the middle after a rise through it, with a dead band."""
    low, high = np.quantile(trace, [0.1, 0.9])
    centred = trace - (low + high) / 2
    band = 0.15 * (high - low)
    signs = [np.sign(value) for value in centred if abs(value) > band]
    return sum(1 for before, after in itertools.pairwise(signs) if before > 0 > after)


@pytest.mark.parametrize("rate", [8, 14, 22, 32])
def test_breaths_come_at_the_rate_asked_for(rate: int) -> None:
    found = [counted_breaths(trace) for trace in made(Waveform.quiet(30, 4.0, rate))]
    assert np.mean(found) == pytest.approx(rate, rel=0.1)


def test_a_typical_breath_swings_as_far_as_asked_for() -> None:
    found = made(Waveform.quiet(60, 4.0, 15), seconds=8)
    assert np.median(np.ptp(found, axis=1)) == pytest.approx(4.0, rel=0.2)


def test_breaths_are_not_sinusoidal() -> None:
    """Inspiration is shorter than expiration and rest: pressure lies above its mid-level most of the time."""
    found = made(Waveform.quiet(30, 4.0, 15))
    middle = (found.max(axis=1) + found.min(axis=1)) / 2
    assert (found > middle[:, None]).mean() > 0.58


def test_ventilation_turns_the_breath_upside_down() -> None:
    quiet = Waveform.quiet(30, 4.0, 15)
    found = made(replace(quiet, inverted=np.ones(30, dtype=bool)))
    middle = (found.max(axis=1) + found.min(axis=1)) / 2
    assert (found > middle[:, None]).mean() < 0.42


def test_without_swing_nothing_but_noise_is_left() -> None:
    assert np.ptp(made(Waveform.quiet(50, 0.0)), axis=1).max() < 1.0


def test_values_are_tenths_and_beyond_the_sensor_they_are_infinite() -> None:
    found = digitise(np.array([[-19.84, 50.0, -120.0]]))
    assert found.tolist() == [[-19.8, np.inf, -np.inf]]
    assert np.allclose(made(Waveform.quiet(5)) * 10, np.round(made(Waveform.quiet(5)) * 10))


def test_invalid_samples_are_as_many_as_asked_for() -> None:
    quiet = Waveform.quiet(20)
    found = made(replace(quiet, invalid_share=np.full(20, 0.25)))
    assert np.isnan(found).mean() == pytest.approx(0.25, abs=0.01)


def test_a_cough_reaches_far_above_a_breath() -> None:
    quiet = Waveform.quiet(40)
    found = made(replace(quiet, cough_cmh2o=np.full(40, 30.0)))
    assert np.median(np.nanmax(found, axis=1)) > -20 + 10


@pytest.mark.parametrize(("seconds", "rate_hz"), [(5, 4.0), (30, 10.0), (60, 25.0)])
def test_any_rate_and_length(seconds: float, rate_hz: float) -> None:
    assert made(Waveform.quiet(3), seconds, rate_hz).shape == (3, round(seconds * rate_hz))


def test_a_batch_larger_than_a_chunk_is_made_whole() -> None:
    found = made(Waveform.quiet(1100), seconds=10)
    assert np.isfinite(found).all()
    assert np.ptp(found[-1]) > 1


def test_traces_follow_the_truth_of_their_minute() -> None:
    plan = replace(quiet_plan(DAY), occlusions=(Stretch(10 * HOUR, 12 * HOUR, "silent"),), swing_cmh2o=5.0)
    lived = traces(therapy(4, plan), every_min=5)
    traced = lived.log.with_columns(lived.truth["occluded"], lived.truth["walking"]).filter(
        pl.col("samples_cmh2o").is_not_null() & (pl.col("state") == "run")
    )
    extent = pl.col("samples_cmh2o").list.max() - pl.col("samples_cmh2o").list.min()
    assert traced.filter("occluded").select(extent).max().item() < 1.0
    clean = ~pl.col("samples_cmh2o").list.eval(pl.element().is_nan()).list.any()
    assert traced.filter(~pl.col("occluded") & clean).select(extent).min().item() > 1.0


def test_a_minutes_extremes_hold_its_trace() -> None:
    lived = traces(therapy(4, quiet_plan(DAY)), every_min=7)
    traced = lived.log.filter(pl.col("samples_cmh2o").is_not_null())
    finite = pl.col("samples_cmh2o").list.eval(pl.element().filter(pl.element().is_finite()))
    assert traced.select((finite.list.min() >= pl.col("pressure_min_cmh2o") - 0.01).all()).item()
    assert traced.select((finite.list.max() <= pl.col("pressure_max_cmh2o") + 0.01).all()).item()
    assert traced.height == -(-DAY // 7)


def test_traces_change_nothing_else_and_come_out_the_same_again() -> None:
    lived = therapy(4, Plan(minutes=DAY, leak_first_ml_min=200, leak_last_ml_min=60, sealed_minute=HOUR * 9))
    traced = traces(lived)
    assert traces(lived).log.equals(traced.log)
    assert traces(traced).log.equals(traced.log)
    untouched = [
        name for name in lived.log.columns if name not in ("pressure_min_cmh2o", "pressure_max_cmh2o")
    ]
    assert traced.log.select(untouched).equals(lived.log.select(untouched))


def test_given_recordings_take_the_place_of_simulated_traces() -> None:
    recording = np.sin(np.linspace(0, 20, 250))[None, :] * [[1.0], [2.0]]
    lived = traces(therapy(4, quiet_plan(DAY)), every_min=60, rate_hz=25.0, samples=recording)
    traced = lived.log.filter(pl.col("samples_cmh2o").is_not_null())
    assert traced.height == 24
    assert traced["rate_hz"].unique().to_list() == [25.0]
    extent = traced.select(
        pl.col("samples_cmh2o").list.max() - pl.col("samples_cmh2o").list.min()
    ).to_series()
    assert extent.to_numpy() == pytest.approx(np.tile([2.0, 4.0], 12), abs=0.2)
