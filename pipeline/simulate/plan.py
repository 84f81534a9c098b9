"""What is to happen to one drain: the plan that the therapy follows, drawn by chance or written by hand."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

HOUR = 60
DAY = 24 * HOUR


@dataclass(frozen=True)
class Stretch:
    """
    From minute `start` to before minute `end` of the therapy, with what is special about it.

    Notes in use: `rings` (the device rings for it), `silent` (it does not), `flat` (left lying on
    its side after a walk), `fills` (a loop that fills little by little).

    Examples
    --------
    >>> Stretch(60, 90).minutes
    30
    """

    start: int
    end: int
    note: str = ""

    @property
    def minutes(self) -> int:
        """Length in minutes."""
        return self.end - self.start


@dataclass(frozen=True)
class Plan:
    """
    The plan of one drain's therapy; minute 0 is the first minute of the log.

    Everything that chance would decide about the big events is decided here, so a test can write
    the drain it wants (`replace(quiet_plan(2 * DAY), occlusions=(Stretch(600, 700, "rings"),))`)
    while `draw_plan` makes a ward's mix. Small things (noise, single coughs, spurts of fluid) are
    left to the therapy's own random stream.

    Parameters
    ----------
    minutes
        First minute of the log to the tube's removal.
    leak_first_ml_min, leak_last_ml_min, sealed_minute
        The lung's leak at -20 cm[H2O] falls from the first to the last value along a geometric
        course and closes at `sealed_minute`; 0: the lung never leaked; at or beyond `minutes`: it
        leaks to the end.
    plateaus
        Stretches during which the leak does not fall.
    recurrences
        Later leaks, at the last value.
    blips
        Few minutes of leak in a sealed lung (a loose connector, a cough).
    suction
        Ordered pressures as (minute, cm[H2O]); the first stands from minute 0.
    swing_cmh2o, transmission
        Pleural swing of a breath, and the share of it that reaches the device through this tube.
    expansion
        The stretch over which the lung comes up and the swing fades; after it, it stays away.
    loops
        A sagging loop of the tube fills with fluid: the swing is damped, nothing is shut.
    forgotten_clamps
        (number of the canister change, minutes the line then stays clamped).
    self_check
        Whether the device checked itself before use; not when nobody told it of a new patient.
    swaps
        Minutes at which another device takes over: it checks itself and has its own canister.
    off, lost
        Device switched off (its counter stands still); rows the device wrote but lost (the
        counter goes on).
    kinks
        The tube is bent shut for some minutes: nothing passes, and it opens by itself.
    clots
        A clot lets little through: swing and fluid are damped, nothing is shut.
    large_leaks
        (stretch, mL/min): the lung itself leaks so much that the pump cannot hold the suction.
    surges
        (stretch, mL/h): so much more fluid comes.
    cough_storms
        More than every other minute has a cough.
    rechecks
        Minutes at which the device checks itself again in the middle of a use.
    early_changes
        Minutes at which staff change a canister that is not yet full.
    change_manners
        How the canister changes go, in turn (`pause` throughout where empty): `pause`; `run`, nobody
        paused; `off`, the device was off; `noise`, readings leap while it is seated; `blank`, the
        volume is unread for minutes.
    slosh
        Share of the canister's content by which a reading errs while the drain is carried about.
    bump_ml_min
        Flow that carrying and coughing squeeze past the sensor, with a sealed lung as well.
    scenario
        What the plan is there to show, for those who sum up over many.
    """

    minutes: int
    leak_first_ml_min: float = 0.0
    leak_last_ml_min: float = 0.0
    sealed_minute: int = 0
    plateaus: tuple[Stretch, ...] = ()
    recurrences: tuple[Stretch, ...] = ()
    blips: tuple[Stretch, ...] = ()
    fluid_first_ml_h: float = 30.0
    fluid_floor_ml_h: float = 6.0
    fluid_half_life_h: float = 12.0
    canister_ml: int = 800
    suction: tuple[tuple[int, float], ...] = ((0, -20.0),)
    swing_cmh2o: float = 4.0
    transmission: float = 0.7
    breath_rate_per_min: float = 16.0
    heart_rate_per_min: float = 80.0
    tube_french: int = 28
    expansion: Stretch | None = None
    self_check: bool = True
    failed_checks: int = 0
    swaps: tuple[int, ...] = ()
    walks: tuple[Stretch, ...] = ()
    knocked_over: tuple[Stretch, ...] = ()
    pauses: tuple[Stretch, ...] = ()
    line_open: tuple[Stretch, ...] = ()
    shortfalls: tuple[Stretch, ...] = ()
    clamps: tuple[Stretch, ...] = ()
    forgotten_clamps: tuple[tuple[int, int], ...] = ()
    occlusions: tuple[Stretch, ...] = ()
    loops: tuple[Stretch, ...] = ()
    ventilated: tuple[Stretch, ...] = ()
    filter_blocked: tuple[Stretch, ...] = ()
    off: tuple[Stretch, ...] = ()
    lost: tuple[Stretch, ...] = ()
    kinks: tuple[Stretch, ...] = ()
    clots: tuple[Stretch, ...] = ()
    large_leaks: tuple[tuple[Stretch, float], ...] = ()
    surges: tuple[tuple[Stretch, float], ...] = ()
    cough_storms: tuple[Stretch, ...] = ()
    rechecks: tuple[int, ...] = ()
    early_changes: tuple[int, ...] = ()
    change_manners: tuple[str, ...] = ()
    slosh: float = 0.0
    bump_ml_min: float = 0.0
    scenario: str = ""


def quiet_plan(minutes: int) -> Plan:
    """A drain without leak and without events: the ground on which tests put the one thing they ask about."""
    return Plan(minutes=minutes)


def draw_plan(rng: np.random.Generator, first_hour_of_day: int = 14, longest: int = 14 * DAY) -> Plan:
    """
    Draw one drain of a ward's mix.

    How often what happens is our judgement, meant to exercise everything rather than to match any
    hospital: a quarter never leak, about one in eight leaks beyond five days (published rates after
    lung resection are about a tenth), one in fifteen tubes blocks, every patient walks a few times
    a day from the first day on.

    Parameters
    ----------
    first_hour_of_day
        Local hour at minute 0, so that walks fall into the day.
    longest
        No therapy is longer than this (minutes).
    """
    leak = _draw_leak(rng)
    sealed = leak.sealed_minute
    after = int(rng.integers(14 * HOUR, 54 * HOUR))
    minutes = min(max(sealed + after, 30 * HOUR), longest)
    if sealed > 0 and rng.random() < 0.05:
        minutes = max(int(sealed * rng.uniform(0.4, 0.9)), 12 * HOUR)
    plan = replace(leak, minutes=minutes)
    return _with_events(rng, _with_patient(rng, plan), first_hour_of_day)


def draw_walks(rng: np.random.Generator, span: int, first_hour: int) -> tuple[Stretch, ...]:
    """
    One to four walks a day of 5 to 25 minutes, between 8 and 20 o'clock, from the first day on.

    Walking early and often is common practice; the numbers are our judgement.
    """
    walks: list[Stretch] = []
    for day in range(1, span // DAY + 2):
        for _ in range(int(rng.integers(1, 5))):
            hour_of_day = rng.uniform(8, 20)
            start = int(day * DAY + (hour_of_day - first_hour) * HOUR)
            end = start + int(rng.integers(5, 26))
            if start > 4 * HOUR and end < span - 30:
                walks.append(Stretch(start, end, "flat" if rng.random() < 0.15 else ""))
    return tuple(sorted(walks, key=lambda walk: (walk.start, walk.end)))


def _draw_leak(rng: np.random.Generator) -> Plan:
    kind = rng.choice(["none", "hours", "days", "prolonged"], p=[0.25, 0.40, 0.22, 0.13])
    if kind == "none":
        return Plan(minutes=0)
    hours = {"hours": (3, 30), "days": (30, 108), "prolonged": (128, 260)}[str(kind)]
    sealed = int(rng.uniform(*hours) * HOUR)
    last = float(rng.uniform(45, 90))
    first = float(np.clip(last * rng.lognormal(1.0, 0.6), last, 1200))
    plateaus = tuple(
        _stretch(rng, 0.1 * sealed, 0.8 * sealed, 0.05 * sealed, 0.2 * sealed)
        for _ in range(int(rng.integers(0, 3)))
    )
    recurrences: tuple[Stretch, ...] = ()
    if rng.random() < 0.08:
        begins = sealed + int(rng.uniform(9 * HOUR, 16 * HOUR))
        recurrences = (Stretch(begins, begins + int(rng.uniform(3 * HOUR, 10 * HOUR))),)
    return Plan(
        minutes=0,
        leak_first_ml_min=first,
        leak_last_ml_min=last,
        sealed_minute=sealed,
        plateaus=plateaus,
        recurrences=recurrences,
    )


def _with_patient(rng: np.random.Generator, plan: Plan) -> Plan:
    """Tube, breathing, fluid and suction: who the patient is and what was ordered."""
    french = int(rng.choice([14, 20, 24, 28, 32]))
    transmission = float(np.clip(rng.normal(0.35 + 0.012 * french, 0.12), 0.15, 0.95))
    suction: list[tuple[int, float]] = [(0, float(rng.choice([-20.0, -20.0, -20.0, -15.0, -10.0])))]
    if rng.random() < 0.7:
        suction.append((int(rng.uniform(12 * HOUR, 48 * HOUR)), -8.0))
        if rng.random() < 0.08:
            suction.append((suction[-1][0] + int(rng.uniform(3 * HOUR, 12 * HOUR)), -20.0))
    expansion = None
    if plan.sealed_minute < plan.minutes and rng.random() < 0.35:
        begins = plan.sealed_minute + int(rng.uniform(HOUR, 8 * HOUR))
        expansion = Stretch(begins, begins + int(rng.uniform(6 * HOUR, 20 * HOUR)))
    return replace(
        plan,
        fluid_first_ml_h=float(rng.lognormal(3.5, 0.5)),
        fluid_floor_ml_h=float(rng.uniform(2, 9)),
        fluid_half_life_h=float(rng.uniform(6, 24)),
        canister_ml=int(rng.choice([300, 800, 2000], p=[0.3, 0.5, 0.2])),
        suction=tuple(suction),
        swing_cmh2o=float(np.clip(rng.lognormal(1.3, 0.35), 1.5, 12)),
        transmission=transmission,
        breath_rate_per_min=float(np.clip(rng.normal(17, 3), 10, 28)),
        heart_rate_per_min=float(np.clip(rng.normal(82, 12), 52, 130)),
        tube_french=french,
        expansion=expansion,
        failed_checks=int(rng.random() < 0.08),
    )


def _with_events(rng: np.random.Generator, plan: Plan, first_hour: int) -> Plan:
    """What happens at the bedside: walks by day, pauses, and the mishaps."""
    span = plan.minutes

    def some(rate_per_day: float, least: float, most: float, note: str = "") -> tuple[Stretch, ...]:
        count = int(rng.poisson(rate_per_day * span / DAY))
        return tuple(_stretch(rng, 3 * HOUR, span - HOUR, least, most, note) for _ in range(count))

    def once(chance: float, least: float, most: float, note: str = "") -> tuple[Stretch, ...]:
        if rng.random() >= chance or span < 12 * HOUR:
            return ()
        return (_stretch(rng, 5 * HOUR, 0.75 * span, least, most, note),)

    rings = "rings" if rng.random() < 0.6 else "silent"
    occlusions = once(0.07, 40, 6 * HOUR, rings)
    if occlusions and rng.random() < 0.25:
        occlusions = (Stretch(occlusions[0].start, span, rings),)
    return replace(
        plan,
        walks=draw_walks(rng, span, first_hour),
        knocked_over=some(0.1, 10, 4 * HOUR),
        pauses=some(0.5, 2, 25),
        line_open=once(0.12, 3, 20, "rings" if rng.random() < 0.7 else "silent"),
        shortfalls=once(0.15, 15, 3 * HOUR),
        clamps=once(0.08, 20, 55, "rings" if rng.random() < 0.4 else "silent"),
        forgotten_clamps=tuple((no, int(rng.integers(10, 55))) for no in range(1, 20) if rng.random() < 0.06),
        occlusions=occlusions,
        blips=some(0.15, 3, 15),
        ventilated=(Stretch(0, int(rng.uniform(2 * HOUR, 14 * HOUR))),) if rng.random() < 0.05 else (),
        filter_blocked=once(0.02, 10, 60),
        off=once(0.15, 5, 5 * HOUR),
        lost=once(0.08, 2, 3 * HOUR),
        loops=once(0.1, HOUR, 8 * HOUR),
    )


def _stretch(
    rng: np.random.Generator, earliest: float, latest: float, least: float, most: float, note: str = ""
) -> Stretch:
    start = int(rng.uniform(earliest, max(latest, earliest + 1)))
    return Stretch(start, start + max(1, int(rng.uniform(least, most))), note)
