"""What happens at a bedside, minute by minute: handling, line, tube, fluid and alerts."""

from __future__ import annotations

from pipeline.definitions.section import Decides, Section


class TiltRules(Section, decides=Decides.COURSE):
    """When a volume reading is not trusted."""

    limit: float
    after: int
    begins_by: float
    run_up: int
    again_within: int


class ShortfallRules(Section, decides=Decides.COURSE):
    """When suction falls short of what was ordered."""

    absolute: float
    relative: float
    least: int


class LineOpenRules(Section, decides=Decides.COURSE):
    """When the line is open to the room."""

    flow: float
    suction_share: float
    least: int
    unresolved_after: int


class ClampRules(Section, decides=Decides.COURSE):
    """When the line was clamped."""

    stop_within: int
    return_within: int
    readings: int


class FlowStoppedRules(Section, decides=Decides.COURSE):
    """When flow stopped and nobody knows why."""

    sudden_within: int
    leak_kept: float


class OcclusionRules(Section, decides=Decides.COURSE):
    """When the tube is suspected to be blocked."""

    least: int
    leak_most: float
    output_share: float
    output_expected: float
    output_goes_on: float
    look_back: int
    breathed_least: int
    leak_before: float
    output_before: float
    onset_within: int
    traces_apart: int
    release_output: float
    release_within: int
    interrupted_by: int
    unseen_most: int
    leak_window: int
    rate_least: int
    onset_unresolved: int
    swing_window: int
    swing_left: float
    swing_kept: float
    swing_gone: float


class SurgeRules(Section, decides=Decides.COURSE):
    """When a lot of fluid came."""

    rate: float
    window: int
    first_hour: float
    first_within: int


class FluidRules(Section, decides=Decides.COURSE):
    """Canister changes and the fluid of a use."""

    change_least: float
    change_share: float
    change_stays: int
    change_empty: float
    change_pause: float
    change_beside: int
    change_unseen: int
    change_unseen_share: float
    lean_most: int
    restless_falls: int
    restless_within: int
    first_empty: float


class AlertRules(Section, decides=Decides.COURSE):
    """When ringing minutes are one alert."""

    bridge: int
