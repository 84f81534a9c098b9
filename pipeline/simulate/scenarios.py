"""Hard drains: a ward's plan with one kind of trouble told often enough to be judged."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pipeline.simulate.plan import DAY, HOUR, Plan, Stretch, draw_plan, draw_walks

WARD = "ward"


def draw_hard_plan(rng: np.random.Generator, first_hour_of_day: int = 14) -> Plan:
    """
    Draw one drain of a ward's mix; give three in four of them one scenario, each equally likely.

    The ward's own rare mishaps of the kinds that scenarios tell (clamps, occlusions, open lines, loops,
    shortfalls) are left out, so that each drain has one story; walks, pauses, canister changes and
    holes stay. Every drain sloshes a little when carried, and coughs and steps squeeze a few mL/min
    past the sensor. Lengths and magnitudes are our judgement, from common practice where there is any;
    none was chosen by looking at what a detector does with it.

    Examples
    --------
    >>> plan = draw_hard_plan(np.random.default_rng(3))
    >>> plan.scenario in {WARD, *SCENARIOS}
    True
    """
    plan = draw_plan(rng, first_hour_of_day, longest=9 * DAY)
    told = rng.random() < 0.75
    name = str(rng.choice(list(SCENARIOS))) if told else WARD
    plan = replace(
        plan,
        scenario=name,
        minutes=max(plan.minutes, 40 * HOUR),
        slosh=float(rng.uniform(0.01, 0.06)),
        bump_ml_min=float(rng.uniform(2, 8)),
    )
    if name == WARD:
        return plan
    plain = replace(plan, occlusions=(), clamps=(), line_open=(), shortfalls=(), loops=(), ventilated=())
    return SCENARIOS[name](rng, plain, first_hour_of_day)


def _apart(
    rng: np.random.Generator,
    count: int,
    span: int,
    least: float,
    most: float,
    note: str = "",
    first: int = 5 * HOUR,
) -> tuple[Stretch, ...]:
    """So many stretches, each somewhere in its own share of the time from `first` to before the end."""
    room = (span - 2 * HOUR - first) / count
    found = []
    for place in range(count):
        length = int(min(rng.uniform(least, most), 0.6 * room))
        start = first + int(place * room + rng.uniform(0, room - length))
        found.append(Stretch(start, start + max(length, 1), note))
    return tuple(found)


def _rings(rng: np.random.Generator) -> str:
    return "rings" if rng.random() < 0.5 else "silent"


def _clamp_trials(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """Trials of half an hour to four hours; some are noted (by the ward, not here), some ring."""
    trials = _apart(rng, int(rng.integers(1, 4)), plan.minutes, 30, 4 * HOUR, _rings(rng))
    return replace(plan, clamps=trials)


def _forgotten_clamps(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """A canister is changed and the line stays shut for 8 to 90 minutes."""
    changes = [s.start for s in _apart(rng, int(rng.integers(2, 5)), plan.minutes, 1, 2)]
    forgotten = tuple((no, int(rng.integers(8, 90))) for no in range(1, 9) if rng.random() < 0.6)
    return replace(plan, early_changes=tuple(changes), forgotten_clamps=forgotten)


def _re_expansion(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The leak closes and over one to twelve hours the lung comes up; fluid fades as well."""
    sealed = min(plan.sealed_minute, plan.minutes - 16 * HOUR)
    begins = max(sealed, 2 * HOUR) + int(rng.uniform(0, 3 * HOUR))
    up = Stretch(begins, begins + int(rng.uniform(HOUR, 12 * HOUR)))
    return replace(plan, sealed_minute=max(sealed, 0), expansion=up, recurrences=(), fluid_half_life_h=6.0)


def _seals_at_once(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The leak closes and the lung is up within 5 to 40 minutes: a log can hardly tell it from a clot."""
    sealed = int(rng.uniform(8 * HOUR, plan.minutes - 12 * HOUR))
    last = max(plan.leak_last_ml_min, 45.0)
    up = Stretch(sealed - 20, sealed - 20 + int(rng.uniform(5, 40)))
    return replace(
        plan,
        leak_first_ml_min=max(plan.leak_first_ml_min, last),
        leak_last_ml_min=last,
        sealed_minute=sealed,
        plateaus=(),
        recurrences=(),
        expansion=up,
    )


def _clots(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The tube is shut for 45 minutes to eight hours, once or twice, now and then to the end."""
    shut = _apart(rng, int(rng.integers(1, 3)), plan.minutes, 45, 8 * HOUR, _rings(rng))
    if rng.random() < 0.2:
        shut = (*shut[:-1], Stretch(shut[-1].start, plan.minutes, shut[-1].note))
    return replace(plan, occlusions=shut)


def _partial_clots(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """A clot that lets something through, for one to twelve hours."""
    return replace(plan, clots=_apart(rng, int(rng.integers(1, 3)), plan.minutes, HOUR, 12 * HOUR))


def _kinks(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The patient lies on the tube, again and again, for 2 to 25 minutes."""
    return replace(plan, kinks=_apart(rng, int(rng.integers(3, 12)), plan.minutes, 2, 25))


def _filling_loops(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """A sagging loop fills over hours and is emptied at a stroke."""
    return replace(
        plan, loops=_apart(rng, int(rng.integers(1, 4)), plan.minutes, 2 * HOUR, 10 * HOUR, "fills")
    )


def _line_open(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """A connection slips off for 2 to 25 minutes, rarely for up to an hour and a half."""
    most = 90 if rng.random() < 0.2 else 25
    return replace(plan, line_open=_apart(rng, int(rng.integers(2, 6)), plan.minutes, 2, most, _rings(rng)))


def _large_leaks(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The lung itself leaks litres a minute, more than the pump can hold, for 20 minutes to six hours."""
    stretches = _apart(rng, int(rng.integers(1, 4)), plan.minutes, 20, 6 * HOUR)
    return replace(plan, large_leaks=tuple((s, float(rng.uniform(1600, 4500))) for s in stretches))


def _shortfalls(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The pump does not reach the order for 12 minutes to three hours."""
    return replace(plan, shortfalls=_apart(rng, int(rng.integers(2, 6)), plan.minutes, 12, 3 * HOUR))


def _walking(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """Many walks; the fluid sloshes by up to a sixth, steps squeeze air past the sensor."""
    walks = (*draw_walks(rng, plan.minutes, hour), *draw_walks(rng, plan.minutes, hour))
    return replace(
        plan,
        walks=tuple(sorted(walks, key=lambda walk: (walk.start, walk.end))),
        slosh=float(rng.uniform(0.06, 0.16)),
        bump_ml_min=float(rng.uniform(8, 25)),
    )


def _transport(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """Suction paused for the way to a scan and back, the drain carried meanwhile."""
    ways = _apart(rng, int(rng.integers(1, 4)), plan.minutes, 12, 70)
    carried = tuple(Stretch(way.start + 2, way.end + 3) for way in ways)
    return replace(plan, pauses=(*plan.pauses, *ways), walks=(*plan.walks, *carried), slosh=0.1)


def _rechecks(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The device checks itself again in the middle of a use."""
    return replace(
        plan, rechecks=tuple(s.start for s in _apart(rng, int(rng.integers(1, 5)), plan.minutes, 3, 4))
    )


def _canisters(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """Canisters changed early and in every manner: paused, running, switched off, jolted, unread."""
    manners = rng.permutation(["pause", "run", "off", "noise", "blank"])
    changes = _apart(rng, int(rng.integers(3, 9)), plan.minutes, 1, 2)
    return replace(
        plan,
        early_changes=tuple(s.start for s in changes),
        change_manners=tuple(str(manner) for manner in manners),
        canister_ml=int(rng.choice([300, 800])),
        fluid_first_ml_h=float(rng.uniform(30, 120)),
    )


def _bleeds(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """A bleed of 100 to 600 mL/h for one to five hours, or an effusion that empties in the first hour."""
    stretches = _apart(rng, int(rng.integers(1, 3)), plan.minutes, HOUR, 5 * HOUR)
    surges = tuple((s, float(rng.uniform(100, 600))) for s in stretches)
    if rng.random() < 0.4:
        surges = ((Stretch(5, 50), float(rng.uniform(1000, 2600))), *surges)
    return replace(plan, surges=surges, canister_ml=int(rng.choice([800, 2000])))


def _holes(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """Switched off, or rows lost, for one to ten hours."""
    holes = _apart(rng, int(rng.integers(2, 5)), plan.minutes, HOUR, 10 * HOUR)
    return replace(plan, off=holes[::2], lost=holes[1::2])


def _returns(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The leak closes and comes back two to thirty hours later, once or twice."""
    last = max(plan.leak_last_ml_min, 45.0)
    sealed = int(rng.uniform(6 * HOUR, 0.4 * plan.minutes))
    again, begins = [], sealed
    for _ in range(int(rng.integers(1, 3))):
        begins += int(rng.uniform(2 * HOUR, 30 * HOUR))
        ends = begins + int(rng.uniform(1.5 * HOUR, 12 * HOUR))
        if ends < plan.minutes - 8 * HOUR:
            again.append(Stretch(begins, ends))
        begins = ends
    first = max(plan.leak_first_ml_min, last)
    return replace(
        plan,
        leak_first_ml_min=first,
        leak_last_ml_min=last,
        sealed_minute=sealed,
        plateaus=(),
        expansion=None,
        recurrences=tuple(again),
    )


def _cough_storms(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """Fits of coughing for 10 to 90 minutes that push some air out of a sealed chest, too."""
    storms = _apart(rng, int(rng.integers(2, 8)), plan.minutes, 10, 90)
    return replace(plan, cough_storms=storms, bump_ml_min=float(rng.uniform(8, 30)))


def _edge_of_five_days(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """The leak ends within two hours and a half of 120 h after the operation."""
    last = max(plan.leak_last_ml_min, 45.0)
    # The operation ended some twenty minutes before the log begins; the leak passes 20 mL/min at closing.
    sealed = 120 * HOUR + int(rng.uniform(-150, 150))
    return replace(
        plan,
        minutes=sealed + int(rng.uniform(14 * HOUR, 40 * HOUR)),
        leak_first_ml_min=max(plan.leak_first_ml_min, last),
        leak_last_ml_min=last,
        sealed_minute=sealed,
        plateaus=(),
        recurrences=(),
        expansion=None,
        blips=(),
    )


def _ventilated(rng: np.random.Generator, plan: Plan, hour: int) -> Plan:
    """Ventilated after the operation and perhaps again later: breaths stand on their head."""
    later = _apart(rng, 1, plan.minutes, 2 * HOUR, 10 * HOUR, first=16 * HOUR)
    first = (Stretch(0, int(rng.uniform(2 * HOUR, 14 * HOUR))),)
    return replace(plan, ventilated=first + (later if rng.random() < 0.5 else ()))


SCENARIOS: dict[str, Callable[[np.random.Generator, Plan, int], Plan]] = {
    "clamp_trials": _clamp_trials,
    "forgotten_clamps": _forgotten_clamps,
    "re_expansion": _re_expansion,
    "seals_at_once": _seals_at_once,
    "clots": _clots,
    "partial_clots": _partial_clots,
    "kinks": _kinks,
    "filling_loops": _filling_loops,
    "line_open": _line_open,
    "large_leaks": _large_leaks,
    "shortfalls": _shortfalls,
    "walking": _walking,
    "transport": _transport,
    "rechecks": _rechecks,
    "canisters": _canisters,
    "bleeds": _bleeds,
    "holes": _holes,
    "returns": _returns,
    "cough_storms": _cough_storms,
    "edge_of_five_days": _edge_of_five_days,
    "ventilated": _ventilated,
}
