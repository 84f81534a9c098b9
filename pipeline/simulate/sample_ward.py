"""The stays behind the sample logs: two invented wards in March 2031, each stay there for one reason."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from pipeline.simulate.plan import HOUR, Plan, Stretch, draw_walks
from pipeline.simulate.pressure import traces
from pipeline.simulate.registry import RegistryDrain
from pipeline.simulate.sites import LAKESIDE, NORTH, Site
from pipeline.simulate.therapy import Therapy, therapy

SEED = 2031


@dataclass(frozen=True)
class SampleStay:
    """
    One stay of the samples.

    Parameters
    ----------
    keys
        Drain keys; two for a shared use, none for an unlinked one.
    start
        First minute of the log by the site's wall clock.
    on_devices
        (device, session, first hour, hour after the last).
    what
        Why it is there, for the README.
    """

    number: int
    keys: tuple[str, ...]
    site: Site
    start: str
    plan: Plan
    on_devices: tuple[tuple[str, int, int, int], ...]
    removal_reason: str
    procedure: str
    what: str
    traces_every_min: int | None = None

    def live(self) -> Therapy:
        """The stay's therapy, with traces where it has them."""
        seed = np.random.SeedSequence(SEED, spawn_key=(self.number,))
        begin = self.site.at(datetime.fromisoformat(self.start).date(), self.hour)
        rng = np.random.default_rng(np.random.SeedSequence(SEED, spawn_key=(self.number, 99)))
        quiet = (*self.plan.occlusions, *self.plan.clamps)
        walks = tuple(
            walk
            for walk in draw_walks(rng, self.plan.minutes, int(self.hour))
            # Nobody walks with a blocked or clamped tube, and its readings are to stand untilted.
            if not any(walk.end + 2 * HOUR > still.start and walk.start < still.end for still in quiet)
        )
        lived = therapy(seed, replace(self.plan, walks=walks), begin)
        return lived if self.traces_every_min is None else traces(lived, self.traces_every_min)

    @property
    def hour(self) -> float:
        """Hour of the day at the first minute."""
        return float(datetime.fromisoformat(self.start).hour)

    def rows(self, lived: Therapy) -> tuple[RegistryDrain, ...]:
        """What a ward that makes no mistakes would register."""
        rng = np.random.default_rng(np.random.SeedSequence(SEED, spawn_key=(self.number, 98)))
        row = RegistryDrain(
            drain_key="",
            patient_key=f"P-{self.number:04d}",
            site=self.site.name,
            unit=self.site.units[self.number % len(self.site.units)],
            tube_in_at=self.site.local(lived.start - timedelta(minutes=25)),
            tube_out_at=self.site.local(lived.end),
            uses=";".join(dict.fromkeys(f"{device}/{session}" for device, session, _, _ in self.on_devices)),
            procedure=self.procedure,
            procedure_end_at=self.site.local(lived.start - timedelta(minutes=10)),
            side=str(rng.choice(["left", "right"])),
            tube_french=self.plan.tube_french,
            removal_reason=self.removal_reason,
            age_years=int(rng.integers(34, 88)),
            sex=str(rng.choice(["f", "m"])),
            bmi=round(float(rng.uniform(19, 34)), 1),
            fev1_pct=int(rng.integers(45, 110)),
            adhesions=str(rng.choice(["none", "some", "dense"])),
            pneumothorax_after="no",
        )
        return tuple(replace(row, drain_key=key) for key in self.keys)


def leaking(first: float, last: float, sealed_h: int, total_h: int) -> Plan:
    """A lung whose leak falls from `first` to `last` mL/min and closes after so many hours."""
    return Plan(
        minutes=total_h * HOUR,
        leak_first_ml_min=first,
        leak_last_ml_min=last,
        sealed_minute=sealed_h * HOUR,
        suction=((0, -20.0), (min(36, total_h // 2) * HOUR, -8.0)),
        pauses=(Stretch(7 * HOUR, 7 * HOUR + 6),),
    )


def dry(total_h: int) -> Plan:
    """A lung that never leaked."""
    return Plan(minutes=total_h * HOUR, pauses=(Stretch(9 * HOUR, 9 * HOUR + 14),))


STAYS: tuple[SampleStay, ...] = (
    SampleStay(
        101,
        ("LS-0101",),
        LAKESIDE,
        "2031-03-26T14:00",
        replace(
            dry(60),
            fluid_first_ml_h=45,
            fluid_floor_ml_h=14,
            fluid_half_life_h=16,
            occlusions=(Stretch(30 * HOUR, 33 * HOUR, "rings"),),
        ),
        (("DV-0001", 17, 0, 60),),
        "planned",
        "wedge resection",
        "never leaked; the tube blocks for three hours on the second day and is cleared",
        5,
    ),
    SampleStay(
        102,
        ("LS-0102",),
        LAKESIDE,
        "2031-03-24T10:00",
        replace(
            leaking(260, 70, 22, 80),
            expansion=Stretch(24 * HOUR, 42 * HOUR),
            fluid_floor_ml_h=2,
            fluid_half_life_h=8,
            failed_checks=1,
        ),
        (("DV-0002", 5, 0, 80),),
        "planned",
        "lobectomy",
        "a failed self-check first; the lung seals and comes up: the swing fades over 18 hours",
        5,
    ),
    SampleStay(
        103,
        ("LS-0103",),
        LAKESIDE,
        "2031-03-17T15:00",
        replace(
            leaking(420, 60, 150, 180),
            canister_ml=300,
            fluid_first_ml_h=60,
            forgotten_clamps=((2, 25),),
            plateaus=(Stretch(40 * HOUR, 90 * HOUR),),
            knocked_over=(Stretch(70 * HOUR, 72 * HOUR),),
        ),
        (("DV-0003", 41, 0, 180),),
        "planned",
        "lobectomy",
        "prolonged leak; canister changes, after one of them the clamp is forgotten for 25 minutes",
    ),
    SampleStay(
        104,
        ("LS-0104",),
        LAKESIDE,
        "2031-03-28T12:00",
        leaking(180, 75, 30, 72),
        (("DV-0004", 9, 0, 40), ("DV-0005", 2, 40, 72)),
        "planned",
        "lobectomy",
        "summer time begins; then the device is swapped: one drain, two uses",
        10,
    ),
    SampleStay(
        105,
        ("LS-0105", "LS-0106"),
        LAKESIDE,
        "2031-03-20T11:00",
        replace(
            leaking(300, 80, 50, 76),
            canister_ml=2000,
            fluid_first_ml_h=90,
            line_open=(Stretch(20 * HOUR, 20 * HOUR + 12, "rings"),),
            shortfalls=(Stretch(26 * HOUR, 27 * HOUR),),
            lost=(Stretch(44 * HOUR, 44 * HOUR + 40),),
        ),
        (("DV-0006", 12, 0, 76),),
        "planned",
        "lobectomy",
        "two tubes of one patient on one device (shared use); line opened, suction short, 40 rows lost",
    ),
    SampleStay(
        107,
        ("LS-0107",),
        LAKESIDE,
        "2031-03-28T16:00",
        replace(leaking(220, 70, 26, 62), clamps=(Stretch(48 * HOUR, 48 * HOUR + 50, "silent"),)),
        (("DV-0007", 3, 0, 62),),
        "planned",
        "wedge resection",
        "a clock that does not follow summer time; a clamp trial of 50 minutes, written down by staff",
        5,
    ),
    SampleStay(
        108,
        (),
        LAKESIDE,
        "2031-03-22T09:00",
        leaking(150, 70, 15, 44),
        (("DV-0008", 21, 0, 44),),
        "",
        "",
        "in no registry (unlinked use); a later export shows that the use was over",
    ),
    SampleStay(
        109,
        ("LS-0109",),
        LAKESIDE,
        "2031-03-19T13:00",
        leaking(160, 80, 10, 50),
        (("DV-0010", 6, 0, 50),),
        "planned",
        "pneumothorax",
        "a contradiction: the log goes on 20 hours after the registered removal",
    ),
    SampleStay(
        110,
        ("LS-0110",),
        LAKESIDE,
        "2031-03-25T08:00",
        replace(
            dry(40),
            fluid_first_ml_h=40,
            fluid_floor_ml_h=16,
            occlusions=(Stretch(28 * HOUR, 40 * HOUR, "silent"),),
        ),
        (("DV-0011", 8, 0, 40),),
        "replaced",
        "empyema",
        "the tube blocks and is never cleared; replaced",
        5,
    ),
    SampleStay(
        111,
        ("LS-0111",),
        LAKESIDE,
        "2031-03-31T09:00",
        replace(dry(30), ventilated=(Stretch(0, 5 * HOUR),), transmission=0.8),
        (("DV-0001", 18, 0, 30),),
        "planned",
        "wedge resection",
        "the next patient on a device; ventilated for five hours, so the swing is upside down",
        10,
    ),
    SampleStay(
        201,
        ("NO-0201",),
        NORTH,
        "2031-03-10T12:00",
        replace(
            leaking(500, 65, 138, 165),
            off=(Stretch(60 * HOUR, 60 * HOUR + 90),),
            knocked_over=(Stretch(30 * HOUR, 31 * HOUR),),
        ),
        (("NK-0101", 17, 0, 165),),
        "planned",
        "lobectomy",
        "prolonged leak; the device is off for 90 minutes",
    ),
    SampleStay(
        202,
        ("NO-0202",),
        NORTH,
        "2031-03-11T09:00",
        leaking(340, 110, 200, 58),
        (("NK-0103", 4, 0, 58),),
        "transferred_with_drain",
        "decortication",
        "the log ends leaking: transferred with the drain",
    ),
    SampleStay(
        203,
        ("NO-0203",),
        NORTH,
        "2031-03-12T10:00",
        dry(40),
        (("NK-0102", 8, 0, 40),),
        "planned",
        "empyema",
        "never leaked; first of two patients in one use",
    ),
    SampleStay(
        204,
        ("NO-0204",),
        NORTH,
        "2031-03-14T08:00",
        leaking(190, 90, 90, 30),
        (("NK-0102", 8, 0, 30),),
        "discharged_with_drain",
        "pneumothorax",
        "second patient in the same use (nobody told the device); goes home leaking, with the drain",
    ),
    SampleStay(
        205,
        ("NO-0205",),
        NORTH,
        "2031-03-28T18:00",
        leaking(210, 80, 26, 60),
        (("NK-0104", 2, 0, 20), ("NK-0104", 3, 20, 60)),
        "planned",
        "lobectomy",
        "a new session by mistake: one drain, two uses; summer time begins; registry names the device only",
    ),
)
