"""
Real human breathing through `assess`, beside neurokit2, against breath marks that neither made.

Whose recordings, how they were marked and which windows are beyond doubt: `tests/support/recordings.py`. How they
are degraded: `tests/evaluation/characterise_recordings.py`. All windows of a recording take part unless a test says
"beyond doubt"; that choice looks at the marks alone.
"""

from functools import cache

import numpy as np
import polars as pl
import pytest

from pipeline.signal import assess
from tests.evaluation.characterise_recordings import DAMAGE, compared
from tests.support.recordings import marked_recording
from tests.support.recordings import windows as cut

RECORDINGS = ("peakdet", "systole")


@cache
def windows(name: str, seconds: int) -> tuple[np.ndarray, pl.DataFrame]:
    """Windows every 15 s and what we find in them."""
    matrix = cut(name, seconds, every_seconds=15)
    return matrix, assess(matrix, 10.0)


def error(frame: pl.DataFrame, who: str) -> pl.Series:
    return (frame[who] - frame["reference"]).abs()


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("seconds", [60, 30])
@pytest.mark.parametrize("name", RECORDINGS)
def test_breath_rates_are_as_near_to_the_marks_as_neurokit2s(name: str, seconds: int, damage: str) -> None:
    both = compared(name, seconds, damage).drop_nulls(["reference", "ours", "neurokit2"])
    assert both.height >= 20
    ours, theirs = error(both, "ours"), error(both, "neurokit2")
    assert ours.mean() <= theirs.mean(), f"ours {ours.mean():.2f}/min, neurokit2 {theirs.mean():.2f}/min"


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("name", RECORDINGS)
def test_a_minute_whose_breaths_are_beyond_doubt_is_present_at_their_rate(name: str, damage: str) -> None:
    sure = compared(name, 60, damage).filter(pl.col("sure"))
    assert sure.height >= 10
    # One in twelve of the second recording is shallower than half a cm[H2O] when scaled to 1.5: rightly undecided.
    assert sure["verdict"].eq("present").mean() >= 0.9
    assert error(sure, "ours").mean() <= 0.3
    assert error(sure, "ours").max() <= 2


def test_the_marks_are_the_tops_a_reader_counts() -> None:
    """By eye on the plotted quiet recording, its first seven minutes, the shallow breath at 212 s among them."""
    found = marked_recording("peakdet")
    minute = (found.tops / found.hz // 60).astype(int)
    assert np.bincount(minute)[:7].tolist() == [12, 10, 13, 14, 14, 14, 15]


@pytest.mark.parametrize("seconds", [30, 60])
@pytest.mark.parametrize("name", RECORDINGS)
def test_nobody_who_breathes_is_called_absent(name: str, seconds: int) -> None:
    assert not windows(name, seconds)[1]["verdict"].eq("absent").any()


def test_breathing_scaled_down_to_a_blocked_tubes_remainder_is_not_present() -> None:
    matrix, _ = windows("peakdet", 60)
    rest = np.round((matrix + 20) * 0.04, 1) - 20  # 0.16 of a cm[H2O] where 4 were
    noise = 0.05 * np.random.default_rng(1).standard_normal(rest.shape)
    assert not assess(rest + noise, 10.0)["verdict"].eq("present").any()


def test_a_real_trace_upside_down_is_still_breathing() -> None:
    matrix, found = windows("peakdet", 60)
    turned = assess(-40 - matrix, 10.0)
    assert (turned["verdict"] == found["verdict"]).mean() >= 0.9
