"""Where whole cycles could be: what a gap takes from a trace beside its own length."""

import numpy as np

from pipeline.signal.cycles import room_for


def test_a_stretch_loses_one_cycle_at_its_ends_and_a_short_one_holds_none() -> None:
    usable = np.ones((3, 100), dtype=bool)
    usable[1, 40:50] = False  # stretches of 40 and 50
    usable[2, 15:95] = False  # 15 and 5: the second is shorter than a cycle
    assert room_for(usable, np.array([10.0, 10.0, 10.0])).tolist() == [90.0, 70.0, 5.0]


def test_breathing_fills_the_room_whatever_the_gaps() -> None:
    # Cycles that fit wholly into the stretches, averaged over where the first begins, fill exactly the room.
    usable = np.ones((1, 300), dtype=bool)
    usable[0, 70:90] = False
    usable[0, 200:230] = False
    period = 20
    filled = [
        period
        * sum(
            bool(usable[0, start : start + period].all()) for start in range(phase, 300 - period + 1, period)
        )
        for phase in range(period)
    ]
    # A cycle may begin at one more sample than the difference of the lengths.
    stretches = 3
    assert np.mean(filled) == room_for(usable, np.array([period]))[0] + stretches
