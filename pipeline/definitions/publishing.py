"""What leaves a ledger: intervals, charts, marks of handling, extracts and strips; and its upkeep."""

from __future__ import annotations

from pipeline.definitions.section import Decides, Section


class StatisticsRules(Section, decides=Decides.PUBLISHED):
    """Levels of intervals and limits."""

    level: float
    outer_level: float
    restricted_to: float
    suppress_below: int


class HandlingRules(Section, decides=Decides.PUBLISHED):
    """When an alarm or a clamp was left longer than handling takes; what is one alarm, one occlusion."""

    alert_long: int
    clamp_long: int
    alarm_apart: int
    occlusion_apart: int


class ChartRules(Section, decides=Decides.PUBLISHED):
    """Baselines of charts, when a denominator is small, and the run rules that may be asked for."""

    baseline_months: int
    least_evaluable: int
    least_baseline: int
    run: int
    trend: int


class ExtractRules(Section, decides=Decides.PUBLISHED):
    """How far a patient's dates are moved in an extract."""

    shift_least: int
    shift_most: int


class UpkeepRules(Section, decides=Decides.PUBLISHED):
    """When the lake is put in shape, what stays for whoever is still reading, what a disk must have free."""

    file_most: int
    reader_hours: int
    log_entries: int
    small_files: int
    free_least: int
    clock_slack: int


class ReconciliationRules(Section, decides=Decides.PUBLISHED):
    """When a site that used to send logs has fallen silent."""

    silent_quantile: float
    silent_times: float
    silent_least: int
    silent_gaps: int


class StripRules(Section, decides=Decides.PUBLISHED):
    """The strips that human readers are given."""

    minutes: int
    least_observed: float
    quiet_share: float
