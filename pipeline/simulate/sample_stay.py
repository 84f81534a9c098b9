"""One stay of the samples: its plan lived through, and what a careful ward would register of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from pipeline.simulate.plan import HOUR, Plan, draw_walks
from pipeline.simulate.pressure import traces
from pipeline.simulate.registry import RegistryDrain
from pipeline.simulate.sites import Site
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
