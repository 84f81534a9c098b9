"""A drain's leak and its outcome, readiness, and what a drain must show to be counted."""

from __future__ import annotations

from pydantic import model_validator

from pipeline.definitions.section import Decides, Section


class LeakRules(Section, decides=Decides.COURSE):
    """When the leak is on, has ended, came back."""

    half_window: int
    least_minutes: int
    on_above: float
    join_below: int
    blip_below: int
    confirm: int
    late_entry: int
    clock_doubt: int

    @model_validator(mode="after")
    def _window_holds_the_least(self) -> LeakRules:
        if self.least_minutes > 2 * self.half_window + 1:
            raise ValueError("least_minutes does not fit into twice half_window")
        return self


class DrainRules(Section, decides=Decides.DRAINS):
    """When a drain's stretch was watched well enough for a sum over it."""

    watched_share: float
    read_within: int
    first_hours: float


class ProlongedLeakRules(Section, decides=Decides.DRAINS):
    """One definition of a prolonged leak: past so many hours, or past a postoperative day of the calendar."""

    name: str
    threshold: float | None = None
    through_day: int | None = None
    begins_within: float | None = None
    leak_after: float
    watched_share: float
    removal_window: float
    presumed_after: float
    set_back: float
    presume_removal: bool

    @model_validator(mode="after")
    def _one_threshold(self) -> ProlongedLeakRules:
        if (self.threshold is None) == (self.through_day is None):
            raise ValueError("give either threshold or through_day")
        return self


class SensitivityRules(Section, decides=Decides.DRAINS):
    """One figure of the published definition moved, to see how the rate moves with it."""

    name: str
    moves: str
    to: float


class ReadinessRules(Section, decides=Decides.DRAINS):
    """When a leak counts as come back after ready."""

    return_above: float
    return_least: int
    return_within: float
    reading_within: int
    log_within: float
