"""One drain's therapy: the plan lived through, as the device logged it and as it really was."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.definitions import Definitions, load_definitions
from pipeline.simulate.alerts import ringing
from pipeline.simulate.bedside import Bedside, around_the_bed, mask
from pipeline.simulate.breathing import Breathing, breathe, lung_down
from pipeline.simulate.fluid import Fluid, drain_fluid
from pipeline.simulate.leak import autocorrelated, lung_leak
from pipeline.simulate.mishaps import changes_by_manner, disturbed_volume, squeezed_flow, suction_held
from pipeline.simulate.plan import Plan, draw_plan

Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Child streams of a therapy's seed, one a subject: a longer course of one leaves the others alone.
_STREAMS = ("plan", "leak", "bedside", "fluid", "breathing", "readings", "traces", "mishaps")


@dataclass(frozen=True)
class Therapy:
    """
    A drain's therapy.

    Parameters
    ----------
    start
        First minute of the log, UTC.
    truth
        One row a minute from the first to the last, logged or not (see `TRUTH_COLUMNS`).
    log
        The rows the device wrote: `minute` (UTC), the readings in the project's names and units,
        and `lost` (written and counted, but never exported).
    """

    seed: np.random.SeedSequence
    start: datetime
    plan: Plan
    truth: pl.DataFrame
    log: pl.DataFrame
    definitions: Definitions

    @property
    def end(self) -> datetime:
        """End of the therapy (exclusive), UTC."""
        return self.start + timedelta(minutes=self.plan.minutes)

    @cached_property
    def leak_end_minute(self) -> int | None:
        """Minute after the last one with a true leak; None: never leaked."""
        leaking = np.flatnonzero(self.truth["leaking"].to_numpy())
        return int(leaking[-1]) + 1 if len(leaking) else None

    def stream(self, name: str) -> np.random.Generator:
        """The random stream of one subject, always from its beginning."""
        return _stream(self.seed, name)


def therapy(
    seed: int | np.random.SeedSequence,
    plan: Plan | None = None,
    start: datetime | None = None,
    definitions: Definitions | None = None,
) -> Therapy:
    """
    Live one plan through, minute by minute.

    Magnitudes are from textbook physiology and common practice where the parts' own docstrings say
    so and our judgement elsewhere; none is tuned to any detector. Only where truth needs a word's
    meaning (when is a leak a leak, a swing a breath, a drain tilted) are the project's definitions
    asked.

    Parameters
    ----------
    seed
        The same seed gives the same therapy, whatever else is simulated.
    plan
        What happens; drawn by chance when left out.
    start
        First minute, with a time zone; 1 March 2031, 13:00 UTC when left out.

    Examples
    --------
    >>> from pipeline.simulate.plan import DAY, quiet_plan
    >>> day = therapy(7, quiet_plan(DAY))
    >>> day.log.height, day.leak_end_minute
    (1440, None)
    """
    sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
    begin = start or datetime.fromisoformat("2031-03-01T13:00:00+00:00")
    begin = begin.astimezone(tz=datetime.fromisoformat("2031-01-01T00:00:00+00:00").tzinfo)
    planned = plan or draw_plan(_stream(sequence, "plan"), begin.hour)
    known = definitions or load_definitions()
    n = planned.minutes

    bedside = around_the_bed(planned, _stream(sequence, "bedside"))
    trend, leak = lung_leak(planned, bedside.set_pressure, _stream(sequence, "leak"))
    occluded = mask(n, planned.occlusions) | mask(n, planned.kinks)
    blocked = mask(n, planned.clamps) | occluded
    fluid = drain_fluid(planned, blocked, _stream(sequence, "fluid"))
    changing = mask(n, fluid.changes)
    clamped = (mask(n, planned.clamps) | mask(n, fluid.forgotten)) & ~changing
    stopped = mask(n, changes_by_manner(fluid, "pause", "noise", "blank"))
    off = mask(n, planned.off) | mask(n, changes_by_manner(fluid, "off"))
    paused = (mask(n, planned.pauses) | stopped) & ~bedside.checking
    line_open = mask(n, planned.line_open) & ~paused & ~bedside.checking
    patent = ~(occluded | clamped | changing | line_open)
    breathing = breathe(planned, bedside, patent, _stream(sequence, "breathing"))
    lost = mask(n, planned.lost)
    flow = np.where(patent & ~bedside.checking, np.where(paused, 0.2, 1.0) * leak, 0.0)

    minute = pl.datetime_range(begin, begin + timedelta(minutes=n), "1m", closed="left", eager=True)
    truth = pl.DataFrame(
        {
            "minute": minute.cast(pl.Datetime("us", "UTC")),
            "logged": ~(off | lost),
            "leak_ml_min": leak,
            "leak_trend_ml_min": trend,
            "leaking": trend > known.leak.on_above,
            "flow_ml_min": flow,
            "output_ml": fluid.output_ml,
            "canister_no": fluid.canister_no,
            "swing_cmh2o": breathing.swing_cmh2o,
            "breath_rate_per_min": breathing.rate_per_min,
            "breathing_visible": breathing.swing_cmh2o >= known.trace.least_swing,
            "inverted": breathing.inverted,
            "running": ~(paused | bedside.checking | off),
            "paused": paused,
            "clamped": clamped,
            "occluded": occluded,
            "line_open": line_open,
            "suction_short": (mask(n, planned.shortfalls) | _pump_short(planned, bedside, known))
            & ~(paused | bedside.checking | line_open),
            "tilted": bedside.tilt_deg > known.tilted.limit,
            "walking": bedside.walking,
            "coughing": bedside.coughing,
            "checking": bedside.checking,
            "kinked": mask(n, planned.kinks),
            "damped": mask(n, planned.loops) | mask(n, planned.clots),
            "lung_down": lung_down(planned),
        }
    )
    log = _log(planned, truth, bedside, breathing, fluid, sequence)
    truth = truth.with_columns(log["alerts"])
    log = log.with_columns(pl.Series("lost", lost)).filter(~pl.Series(off))
    return Therapy(sequence, begin, planned, truth, log, known)


def _pump_short(plan: Plan, bedside: Bedside, known: Definitions) -> Flags:
    """Minutes in which a large leak leaves the pump short of the order by more than the definitions allow."""
    rules, order = known.suction_shortfall, np.abs(bedside.set_pressure)
    lost = order * (1 - suction_held(plan))
    return np.asarray(lost > np.maximum(rules.absolute, order * rules.relative / 100))


def _stream(seed: np.random.SeedSequence, name: str) -> np.random.Generator:
    key = (*seed.spawn_key, _STREAMS.index(name))
    return np.random.default_rng(np.random.SeedSequence(seed.entropy, spawn_key=key))


def _log(
    plan: Plan,
    truth: pl.DataFrame,
    bedside: Bedside,
    breathing: Breathing,
    fluid: Fluid,
    sequence: np.random.SeedSequence,
) -> pl.DataFrame:
    """What the device's sensors make of it, in the resolution it writes."""
    n = plan.minutes
    rng, mishaps = _stream(sequence, "readings"), _stream(sequence, "mishaps")
    mean, least, most = _pressures(plan, truth, bedside, breathing, rng)
    leak = _leak_reading(truth, bedside, rng)
    leak = leak + squeezed_flow(plan, truth, bedside, mishaps)
    tilt_error = 0.25 * np.sin(np.radians(bedside.tilt_deg)) * rng.choice([-1, 1]) * fluid.canister_ml
    tilt_error = np.where(truth["tilted"].to_numpy(), tilt_error + 4 * rng.standard_normal(n), 0.0)
    volume = np.clip(fluid.canister_ml + 0.6 * autocorrelated(rng, n, 0.7) + tilt_error, 0, None)
    volume = np.clip(volume + disturbed_volume(plan, bedside, fluid, mishaps), 0, None)
    state = np.where(bedside.checking, "check", np.where(truth["paused"].to_numpy(), "pause", "run"))
    alerts = ringing(plan, truth, bedside, np.nan_to_num(volume), rng)
    blank = rng.random((2, n)) < 0.0004
    return pl.DataFrame(
        {
            "minute": truth["minute"],
            "state": state,
            "set_pressure_cmh2o": bedside.set_pressure,
            "pressure_mean_cmh2o": mean.round(1),
            "pressure_min_cmh2o": least.round(1),
            "pressure_max_cmh2o": most.round(1),
            "air_leak_ml_min": leak.round(),
            "canister_volume_ml": pl.Series(volume.round()).fill_nan(None).set(pl.Series(blank[0]), None),
            "tilt_deg": pl.Series(bedside.tilt_deg.round(1)).set(pl.Series(blank[1]), None),
            "battery_pct": bedside.battery_pct.round(),
            "mains": bedside.mains,
            "alerts": alerts,
        }
    )


def _pressures(
    plan: Plan, truth: pl.DataFrame, bedside: Bedside, breathing: Breathing, rng: np.random.Generator
) -> tuple[Reals, Reals, Reals]:
    """
    Mean, least and greatest pressure of each minute at the device.

    Running, the pump holds the ordered pressure; paused, the line settles near the pleural mean;
    open to the room, the pump holds a tenth to a third of what was ordered. The extremes of a
    minute with some fifteen breaths reach past the typical breath by a fifth or two; inspiration
    pulls further below the mean than expiration lifts above it. Coughs reach up by 8 to 35
    cm[H2O], walking adds some cm[H2O] both ways, the pump ripples while air leaks (our judgement
    throughout).
    """
    n = plan.minutes
    t = {name: truth[name].to_numpy() for name in ("paused", "line_open", "suction_short", "flow_ml_min")}
    mean = bedside.set_pressure + 0.25 * autocorrelated(rng, n, 0.8)
    mean = np.where(t["suction_short"], mean * rng.uniform(0.35, 0.65), mean)
    mean = mean * suction_held(plan)
    mean = np.where(t["line_open"], bedside.set_pressure * rng.uniform(0.1, 0.33), mean)
    mean = np.where(t["paused"], rng.uniform(-5, -2) + 0.3 * autocorrelated(rng, n, 0.9), mean)
    mean = np.where(bedside.failed_check, bedside.set_pressure * rng.uniform(0.4, 0.7), mean)

    swing = breathing.swing_cmh2o
    # A cough or a step reaches the device in the measure in which a breath does.
    open_share = np.clip(swing / (plan.swing_cmh2o * plan.transmission), 0.0, 1.0)
    reach = rng.uniform(1.1, 1.45, n)
    below = np.where(breathing.inverted, 0.4, 0.6) * swing * reach
    above = np.where(breathing.inverted, 0.6, 0.4) * swing * reach
    sensor = np.abs(0.05 + 0.03 * rng.standard_normal((2, n)))
    ripple = np.where(t["flow_ml_min"] > 10, rng.uniform(0.05, 0.4, n), 0.0)
    cough = np.where(bedside.coughing, rng.uniform(8, 35, n) * open_share, 0.0)
    motion = np.where(bedside.walking, rng.uniform(1, 6, n) * np.maximum(open_share, 0.2), 0.0)
    least = mean - below - sensor[0] - ripple - 0.3 * cough - motion
    most = mean + above + sensor[1] + ripple + cough + motion
    return mean, least, most


def _leak_reading(truth: pl.DataFrame, bedside: Bedside, rng: np.random.Generator) -> Reals:
    """The flow sensor: three per cent of the value, some mL/min of its own, a dead band near nothing."""
    n = truth.height
    flow = truth["flow_ml_min"].to_numpy() + np.where(
        truth["line_open"].to_numpy(), rng.uniform(1900, 5500) * (1 + 0.1 * rng.standard_normal(n)), 0.0
    )
    flow = np.where(bedside.failed_check, rng.uniform(200, 900), flow)
    reading = flow * (1 + 0.03 * rng.standard_normal(n)) + 1.2 * rng.standard_normal(n)
    return np.where(reading < 2.0, 0.0, reading)
