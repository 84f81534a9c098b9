"""What can be a measurement, a log or a use at all: the figures of reading."""

from __future__ import annotations

from pipeline.definitions.section import Decides, Section


class ResolutionRules(Section, decides=Decides.CELLS | Decides.COURSE):
    """To what readings are rounded when read."""

    pressure: float
    flow: float
    volume: float
    angle: float
    share: float


class PlausibleRules(Section, decides=Decides.CELLS):
    """What can be a measurement at all."""

    pressure_least: float
    pressure_most: float
    flow_most: float
    volume_most: float
    clock_slack: int
    earliest_year: int
    order_slack: float
    trace_longest: float
    line_most: int
    file_most: int
    rows_most: int
    paper_most: int


class UseRules(Section, decides=Decides.COURSE):
    """What ends a device use."""

    hole: int


class OverlapRules(Section, decides=Decides.COURSE):
    """When files without a record counter tell the same minutes, and when others under the same times."""

    least: int
    nearly_all: float
