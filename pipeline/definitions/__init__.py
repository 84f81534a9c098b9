"""
The figures that decide something, read from `shared/definitions.toml` and checked.

Each figure there is a table of value, unit, meaning and source. Code takes the section it needs
(`definitions.fluid`) as an argument and finds each value under the figure's name; nothing has a
default in code.

A module holds the sections of one idea of the field; all of them are imported from here.
"""

from __future__ import annotations

from pipeline.definitions.breathing import EnvelopeRules, TidalingRules, TraceRules
from pipeline.definitions.cohort import (
    DrainRules,
    LeakRules,
    ProlongedLeakRules,
    ReadinessRules,
    SensitivityRules,
)
from pipeline.definitions.course import (
    AlertRules,
    ClampRules,
    FlowStoppedRules,
    FluidRules,
    LineOpenRules,
    OcclusionRules,
    ShortfallRules,
    SurgeRules,
    TiltRules,
)
from pipeline.definitions.plausibility import OverlapRules, PlausibleRules, ResolutionRules, UseRules
from pipeline.definitions.publishing import (
    ChartRules,
    ExtractRules,
    HandlingRules,
    ReconciliationRules,
    StatisticsRules,
    StripRules,
    UpkeepRules,
)
from pipeline.definitions.section import Decides, FigureText, Section
from pipeline.definitions.shipped import Definitions, load_definitions

__all__ = [
    "AlertRules",
    "ChartRules",
    "ClampRules",
    "Decides",
    "Definitions",
    "DrainRules",
    "EnvelopeRules",
    "ExtractRules",
    "FigureText",
    "FlowStoppedRules",
    "FluidRules",
    "HandlingRules",
    "LeakRules",
    "LineOpenRules",
    "OcclusionRules",
    "OverlapRules",
    "PlausibleRules",
    "ProlongedLeakRules",
    "ReadinessRules",
    "ReconciliationRules",
    "ResolutionRules",
    "Section",
    "SensitivityRules",
    "ShortfallRules",
    "StatisticsRules",
    "StripRules",
    "SurgeRules",
    "TidalingRules",
    "TiltRules",
    "TraceRules",
    "UpkeepRules",
    "UseRules",
    "load_definitions",
]
