"""How each flag stands in a drain's course: the name beside its row, and its colour there."""

from __future__ import annotations

from typing import NamedTuple

from schemas.vocabulary import PeriodKind


class FlagRow(NamedTuple):
    """The name stands beside the colour, always: nobody is asked to tell flags apart by colour alone."""

    name: str
    colour: str


# From top to bottom, as a reader asks: is it measured, is it open, does it leak, does it drain.
FLAG_ROWS: dict[PeriodKind, FlagRow] = {
    PeriodKind.NO_DATA: FlagRow("no data", "#E6E6E6"),
    PeriodKind.PAUSED: FlagRow("paused", "#8C8C8C"),
    PeriodKind.TILTED: FlagRow("tilted", "#56B4E9"),
    PeriodKind.SUCTION_SHORTFALL: FlagRow("suction short", "#CC79A7"),
    PeriodKind.LINE_OPEN: FlagRow("line open", "#E69F00"),
    PeriodKind.CLAMPED: FlagRow("clamped", "#CC79A7"),
    PeriodKind.FLOW_STOPPED: FlagRow("flow stopped", "#E69F00"),
    PeriodKind.OCCLUSION_SUSPECTED: FlagRow("occlusion suspected", "#D55E00"),
    PeriodKind.TIDALING_PRESENT: FlagRow("tidaling present", "#009E73"),
    PeriodKind.TIDALING_INDETERMINATE: FlagRow("tidaling undecided", "#BFBFBF"),
    PeriodKind.TIDALING_ABSENT: FlagRow("tidaling absent", "#D55E00"),
    PeriodKind.COUGH: FlagRow("cough", "#56B4E9"),
    PeriodKind.MOTION: FlagRow("motion", "#56B4E9"),
    PeriodKind.LEAK: FlagRow("leak on", "#0072B2"),
    PeriodKind.OUTPUT_SURGE: FlagRow("output surge", "#0072B2"),
}
ROWS = {kind: row.name for kind, row in FLAG_ROWS.items()}
BANDS = {kind.value: row.colour for kind, row in FLAG_ROWS.items()}
