"""Synthetic therapy with the truth behind it.

A seed and a plan come in; logs, registry, annotations and truth go out.
The command line and the tests of all layers call it; it calls no detector.
"""

from pipeline.simulate.device import Clock, Part, device_rows, exports, part
from pipeline.simulate.layouts import TraceFormat, write_north, write_v1
from pipeline.simulate.plan import Plan, Stretch, draw_plan, quiet_plan
from pipeline.simulate.pressure import Waveform, traces, waveforms
from pipeline.simulate.registry import Annotation, RegistryDrain, write_annotations, write_registry
from pipeline.simulate.simulation import Simulation, simulate
from pipeline.simulate.therapy import Therapy, therapy

__all__ = [
    "Annotation",
    "Clock",
    "Part",
    "Plan",
    "RegistryDrain",
    "Simulation",
    "Stretch",
    "Therapy",
    "TraceFormat",
    "Waveform",
    "device_rows",
    "draw_plan",
    "exports",
    "part",
    "quiet_plan",
    "simulate",
    "therapy",
    "traces",
    "waveforms",
    "write_annotations",
    "write_north",
    "write_registry",
    "write_v1",
]
