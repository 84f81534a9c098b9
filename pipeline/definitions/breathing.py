"""When a pressure trace, or a minute's least and greatest pressure, shows breathing."""

from __future__ import annotations

from pydantic import model_validator

from pipeline.definitions.section import Decides, Section


class TraceRules(Section, decides=Decides.COURSE):
    """Breathing in a pressure trace."""

    lowest_rate: float
    alias_rate: float
    alias_swing: float
    least_breaths: int
    slowest: float
    fastest: float
    least_swing: float
    false_alarm: float
    artefact_share: float
    believable: float
    stuck_seconds: float
    stuck_moves: float
    step_least: float
    burst_least: float
    burst_ratio: float
    burst_most: float
    score_constant: float
    score_breaths: float
    score_alike: float
    score_interval_cv: float
    score_covered: float
    score_share: float
    score_at_one: float
    score_per_decade: float
    score_short: float
    noise_varies: float
    swing_error: float
    pump_shape: float
    pump_most: float
    chest_constant: float
    chest_intervals: float
    chest_swings: float
    chest_one_sided: float
    chest_size: float
    chest_few: float
    chest_sharp: float
    chest_coughs: float
    chest_size_most: float
    even_intervals: float
    even_swings: float
    even_ends: float
    heart_least: float
    heart_slowest: float
    heart_fastest: float
    heart_line: float
    heart_overtones: float
    heart_near: float
    absent_quantile: float
    absent_covers: float
    rail_seconds: float
    rail_jump: float
    rail_least: float
    rail_share: float
    burst_window: float
    burst_quiet: float
    burst_share: float
    burst_margin: float
    burst_join: float
    restless_window: float
    restless_ratio: float
    restless_least: float
    restless_filled: float
    cough_skew: float
    step_window: float
    step_within: float
    step_sudden: float
    step_share: float
    step_margin: float
    outlier_reach: float
    cycle_least: float
    cycle_margin: float
    cycle_seen: float
    interval_least: float
    interval_most: float
    band_margin: float
    same_rate: float
    overtone: float
    small_share: float


class EnvelopeRules(Section, decides=Decides.COURSE):
    """Breathing from the minutes' minimum and maximum alone."""

    window: int
    least_minutes: int
    low_quantile: float
    high_quantile: float
    carried: int
    carried_most: int
    carried_tilt: float
    floor: float
    floor_minutes: int
    floor_stable: float
    still_run: int
    own_margin: float

    @model_validator(mode="after")
    def _window_holds_the_least(self) -> EnvelopeRules:
        if self.least_minutes > self.window:
            raise ValueError("least_minutes does not fit into the window")
        return self


class TidalingRules(Section, decides=Decides.COURSE):
    """From verdicts to periods."""

    hold: int
    settle: int
    bridge: int
