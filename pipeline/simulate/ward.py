"""Who lies on which device when: one device's patients in turn, and what the ward does and forgets to do."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta

import numpy as np

from pipeline.definitions import Definitions
from pipeline.simulate.device import Clock, Part, part
from pipeline.simulate.plan import HOUR, Plan, draw_plan
from pipeline.simulate.registry import Annotation, RegistryDrain
from pipeline.simulate.sites import Site
from pipeline.simulate.therapy import Therapy, therapy

# How often each story is told; our judgement: often enough to be met, rare enough to stay the exception.
_STORIES = {
    "plain": 0.65,
    "device_swapped": 0.06,
    "mistaken_new_session": 0.04,
    "nobody_told_the_device": 0.05,
    "shared_use": 0.05,
    "unlinked": 0.05,
    "no_log": 0.02,
    "wrong_dates": 0.03,
    "late_entry": 0.05,
}
MOST_ON_A_DEVICE = 6


@dataclass(frozen=True)
class Stay:
    """
    One drain's stay: its therapy, where its minutes were logged, and what the ward wrote.

    Parameters
    ----------
    on_devices
        (device, session, first minute, minute after the last) of each device use; empty: no log.
    rows
        Registry rows (none: unlinked; two: a shared use), as first written.
    corrections
        Rows that come again, corrected.
    """

    number: int
    site: Site
    story: str
    lived: Therapy
    on_devices: tuple[tuple[str, int, int, int], ...]
    rows: tuple[RegistryDrain, ...] = ()
    corrections: tuple[RegistryDrain, ...] = ()
    annotations: tuple[Annotation, ...] = ()


@dataclass
class Shift:
    """What a device wrote over its patients, and how its clock and counters are."""

    site: Site
    stays: list[Stay] = field(default_factory=list)
    parts: dict[str, list[Part]] = field(default_factory=dict)
    clock: Clock = field(default_factory=lambda: Clock("UTC"))
    first_record: int = 1
    with_record: bool = True


Finish = Callable[[Therapy], Therapy]
Draw = Callable[[np.random.Generator, int], Plan]


def device_shift(
    seed: int,
    site: Site,
    device_no: int,
    drains: list[int],
    start: date,
    apart_days: int,
    definitions: Definitions,
    finish: Finish,
    draw: Draw = draw_plan,
) -> Shift:
    """
    Live the drains of one device in turn.

    Each drain has its own seed from (seed, drain number), so it is the same however many are
    simulated beside it.

    Parameters
    ----------
    apart_days
        Days from one drain's earliest start to the next one's.
    finish
        Adds traces to a therapy (or leaves it as it is) before its rows are taken.
    draw
        What draws a drain's plan from a random stream and the local hour of its first minute.
    """
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(1, site.number, device_no)))
    device = f"{site.device_prefix}{device_no:04d}"
    shift = Shift(
        site,
        first_record=int(rng.integers(1, 90_000)),
        with_record=bool(rng.random() > 0.06) and site.layout != "upland",
    )
    session = int(rng.integers(1, 60))
    reset_at = int(rng.integers(1, 20))
    offset = float(rng.uniform(0, apart_days))
    previous: Therapy | None = None
    for slot, number in enumerate(drains):
        story_rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(2, number)))
        story = _story(story_rng, shift.stays[-1] if shift.stays else None)
        begin = site.at(
            start + timedelta(days=int(slot * apart_days + offset)), float(story_rng.uniform(9, 19))
        )
        if previous is not None and (story == "nobody_told_the_device" or begin <= previous.end):
            begin = previous.end + timedelta(minutes=int(story_rng.integers(40, 9 * HOUR)))
        begin = begin.replace(second=0, microsecond=0)
        sequence = np.random.SeedSequence(seed, spawn_key=(0, number))
        plan_rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(3, number)))
        plan = draw(plan_rng, site.local(begin).hour)
        middle = int(story_rng.uniform(0.3, 0.7) * plan.minutes)
        if story == "device_swapped":
            plan = replace(plan, swaps=(middle,))
        elif story == "nobody_told_the_device":
            plan = replace(plan, self_check=False)
        lived = finish(therapy(sequence, plan, begin, definitions))
        reset = slot == reset_at
        if reset:
            session = 1
        elif story != "nobody_told_the_device":
            session += 1
        stay = _stay(story_rng, site, number, story, lived, device, session, middle)
        for serial, count, first, until in stay.on_devices:
            written = shift.parts.setdefault(serial, [])
            written.append(part(lived, count, first, until, reset_before=reset and not first))
            if serial == device:
                session = count
        shift.stays.append(stay)
        previous = lived
    shift.clock = _clock(rng, site, shift)
    return shift


def _story(rng: np.random.Generator, before: Stay | None) -> str:
    story = str(rng.choice(list(_STORIES), p=list(_STORIES.values())))
    # Only after a stay that left its use on this device and in the registry can the next one run on in it.
    runs_on = before is not None and before.story in ("plain", "shared_use", "late_entry")
    return "plain" if story == "nobody_told_the_device" and not runs_on else story


def _clock(rng: np.random.Generator, site: Site, shift: Shift) -> Clock:
    """
    Most clocks are right; some are stepped once.

    One in ten does not follow summer time where the log can show it: other layouts than version 1 say
    what their clocks do.
    """
    follows = bool(rng.random() > 0.1) or site.layout != "v1"
    steps: tuple[tuple[datetime, int], ...] = ()
    stepped = int(rng.integers(0, MOST_ON_A_DEVICE)) if rng.random() < 0.1 else MOST_ON_A_DEVICE
    if stepped < len(shift.stays):
        lived = shift.stays[stepped].lived
        at = lived.start + timedelta(minutes=int(rng.uniform(0.2, 0.8) * lived.plan.minutes))
        steps = ((at, int(rng.choice([-45, -7, 6, 50]))),)
    return Clock(site.clock_zone or site.timezone, follows, steps)


def _stay(
    rng: np.random.Generator,
    site: Site,
    number: int,
    story: str,
    lived: Therapy,
    device: str,
    session: int,
    middle: int,
) -> Stay:
    """The stay's device uses (changed in the `middle`, where the story has it) and its papers."""
    minutes = lived.plan.minutes
    spare = f"{site.device_prefix}{90_000 + number}"
    on_devices: tuple[tuple[str, int, int, int], ...] = ((device, session, 0, minutes),)
    if story == "device_swapped":
        on_devices = (
            (device, session, 0, middle - int(rng.integers(4, 30))),
            (spare, 1 + number % 50, middle, minutes),
        )
    elif story == "mistaken_new_session":
        on_devices = ((device, session, 0, middle), (device, session + 1, middle, minutes))
    elif story == "no_log":
        on_devices = ()
    row = registry_row(rng, site, number, lived, on_devices)
    rows: tuple[RegistryDrain, ...] = (row,)
    corrections: tuple[RegistryDrain, ...] = ()
    if story == "unlinked":
        rows = ()
    elif story == "no_log":
        rows = (replace(row, device="", uses=f"{device}/{session + 900}"),)
    elif story == "shared_use":
        rows = (row, replace(row, drain_key=row.drain_key + "b"))
    elif story == "wrong_dates" and row.tube_out_at is not None:
        rows = (replace(row, tube_out_at=row.tube_out_at - timedelta(hours=6)),)
    elif story == "late_entry":
        earlier = timedelta(hours=float(rng.integers(3, 11)))
        rows = (
            replace(
                row,
                tube_in_at=row.tube_in_at - earlier,
                procedure_end_at=_minus(row.procedure_end_at, earlier),
            ),
        )
    if rows and rng.random() < 0.06:
        corrections = (rows[0],)
        rows = (replace(rows[0], tube_out_at=None, removal_reason=""), *rows[1:])
    return Stay(
        number, site, story, lived, on_devices, rows, corrections, tuple(_annotations(rng, site, row, lived))
    )


def registry_row(
    rng: np.random.Generator,
    site: Site,
    number: int,
    lived: Therapy,
    on_devices: tuple[tuple[str, int, int, int], ...],
) -> RegistryDrain:
    """What a careful ward would write about the stay."""
    tube_in = lived.start - timedelta(minutes=int(rng.integers(15, 45)))
    leaking = bool(lived.truth["leaking"][-1])
    odd = ["transferred_with_drain", "discharged_with_drain", "died", "replaced", "accidental", "planned"]
    reason = str(rng.choice(odd, p=[0.3, 0.2, 0.15, 0.15, 0.1, 0.1])) if leaking else "planned"
    if not leaking and rng.random() < 0.04:
        reason = str(rng.choice(["died", "accidental", "replaced", "other"]))
    by_device = rng.random() < 0.15
    return RegistryDrain(
        drain_key=f"{site.key_prefix}-{number:05d}",
        patient_key=f"{site.key_prefix}P-{number:05d}",
        site=site.name,
        unit=str(rng.choice(site.units)),
        tube_in_at=site.local(tube_in),
        tube_out_at=site.local(lived.end),
        uses="" if by_device else ";".join(f"{serial}/{count}" for serial, count, _, _ in on_devices),
        device=";".join(dict.fromkeys(serial for serial, *_ in on_devices)) if by_device else "",
        procedure=str(rng.choice(site.procedures)),
        procedure_end_at=site.local(tube_in + timedelta(minutes=10)),
        side=str(rng.choice(["left", "right"])),
        tube_french=lived.plan.tube_french,
        removal_reason=reason,
        age_years=int(np.clip(rng.normal(63, 13), 18, 94)),
        sex=str(rng.choice(["f", "m"])),
        bmi=round(float(np.clip(rng.normal(26, 4), 16, 45)), 1),
        fev1_pct=int(np.clip(rng.normal(82, 18), 25, 130)),
        adhesions=str(rng.choice(["none", "some", "dense"])),
        pneumothorax_after="yes" if leaking and reason == "planned" else "no",
    )


def _minus(instant: datetime | None, earlier: timedelta) -> datetime | None:
    return None if instant is None else instant - earlier


def _annotations(
    rng: np.random.Generator, site: Site, row: RegistryDrain, lived: Therapy
) -> Iterator[Annotation]:
    def note(kind: str, start: int, end: int, role: str) -> Annotation:
        first = site.local(lived.start + timedelta(minutes=start))
        return Annotation(
            row.drain_key, site.name, first, site.local(lived.start + timedelta(minutes=end)), kind, role
        )

    for clamp in lived.plan.clamps:
        if rng.random() < 0.7:
            yield note("clamp_trial", clamp.start, clamp.end, "surgeon")
    for machine in lived.plan.ventilated:
        yield note("ventilated", machine.start, min(machine.end, lived.plan.minutes), "nurse")
    for blockage in lived.plan.occlusions:
        if rng.random() < 0.5:
            yield note("confirmed_occlusion", blockage.start, min(blockage.end, lived.plan.minutes), "nurse")


def slots_of(days: int) -> int:
    """How many drains a device serves in so many days: one in 18 (the longest stay is 14), at most six."""
    return int(np.clip(days // 18, 1, MOST_ON_A_DEVICE))
