"""What the cycles of a trace have in common, and at which end they differ."""

import numpy as np
import pytest

from pipeline.signal.shape import PHASES, height_of, one_sided, slow_limb

PHASE = (np.arange(PHASES) + 0.5) / PHASES
SINE = np.cos(2 * np.pi * PHASE)[:, None]
DEPTHS = 1 + 0.2 * np.random.default_rng(3).standard_normal(4000)


def differ(
    levels: np.ndarray, seen: np.ndarray | None = None, begins: np.ndarray | None = None, sign: float = 1.0
) -> float:
    """`one_sided` of one trace whose cycles follow one another."""
    count = levels.shape[1]
    starts = np.arange(count) * 40.0 if begins is None else begins
    share = np.ones(count) if seen is None else seen
    return float(
        one_sided(levels, sign * SINE, np.zeros(count, dtype=int), starts, starts + 40.0, share, 1)[0]
    )


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_depth_that_varies_at_one_end_is_one_sided_by_as_much_as_it_varies_there(sign: float) -> None:
    levels = sign * DEPTHS * (SINE + 1) / 2
    moving = levels[np.argsort(SINE[:, 0])[-PHASES // 4 :]].mean(axis=0)
    assert differ(levels, sign=sign) == pytest.approx(moving.std(), rel=0.05)


def test_depth_that_varies_about_the_middle_is_not_one_sided() -> None:
    assert differ(DEPTHS * SINE / 2) < 0.01


def test_a_drift_over_many_cycles_is_not_one_sided() -> None:
    assert differ(SINE + np.linspace(0, 50, 4000)) < 1e-6


def test_only_whole_cycles_that_follow_one_another_are_compared() -> None:
    levels = DEPTHS * (SINE + 1) / 2
    assert differ(levels, seen=np.where(np.arange(4000) % 2, 1.0, 0.9)) == 0.0
    assert differ(levels, begins=np.arange(4000) * 41.0) == 0.0


def test_a_sine_takes_a_sixth_of_its_cycle_for_the_middle_half_of_its_height() -> None:
    assert slow_limb(SINE, np.ptp(SINE, axis=0))[0] == pytest.approx(1 / 6, abs=0.01)
    assert height_of(SINE)[0] == pytest.approx(2.0, rel=0.01)
