"""The marks on the minute grid, in the order in which they rest on one another."""

from __future__ import annotations

import polars as pl

from pipeline.course.against_log import mark_against_log
from pipeline.course.air_stops import find_air_stops
from pipeline.course.alerts import find_alerts
from pipeline.course.annotated import annotated_rows, mark_annotated
from pipeline.course.artefacts import mark_artefacts
from pipeline.course.breathing import mark_sightings
from pipeline.course.clamp import find_stops, mark_stops
from pipeline.course.falls_still import mark_falls_still
from pipeline.course.fluid import reconstruct_output
from pipeline.course.grid import dense_grid
from pipeline.course.handling import mark_handled, mark_state
from pipeline.course.leak import mark_leak
from pipeline.course.line_open import mark_line_open
from pipeline.course.occlusion import find_occlusions, mark_occlusion
from pipeline.course.stillness import find_stillness
from pipeline.course.suction import mark_shortfall
from pipeline.course.surge import mark_surge
from pipeline.course.tilt import distrust_before_tilt, mark_tilt
from pipeline.definitions import Definitions


def mark_readings(
    resolved: pl.DataFrame, uses: pl.DataFrame, cuts: pl.DataFrame, definitions: Definitions
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The minute grid with what the device's own readings say (state, tilt, fluid), and the canisters."""
    grid = mark_tilt(mark_state(dense_grid(resolved, cuts)), definitions.tilted)
    grid = distrust_before_tilt(grid, definitions.tilted)
    return reconstruct_output(grid, uses, definitions.fluid, definitions.resolution)


def mark_findings(
    grid: pl.DataFrame,
    uses: pl.DataFrame,
    evidence: pl.DataFrame,
    annotations: pl.DataFrame,
    definitions: Definitions,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """
    All other marks on a grid that already has its tidaling (the columns of `tidaling_of`), and the alerts.

    The marked grid carries more than the published minutes do: sightings of breathing, grades and
    details, from which a finding can be explained.
    """
    grid = mark_sightings(mark_artefacts(grid, definitions.trace), evidence, definitions.envelope)
    grid = mark_shortfall(mark_line_open(grid, definitions.line_open), definitions.suction_shortfall)
    grid = mark_surge(grid, uses, definitions.output_surge)
    alerts = find_alerts(grid, uses, definitions.alerts)
    within, unread = definitions.clamp.stop_within, definitions.flow_stopped.sudden_within
    grid = mark_handled(grid, alerts, within, unread)
    grid = mark_falls_still(grid, definitions.clamp, definitions.occlusion)
    noted = annotated_rows(grid, annotations, definitions.occlusion)
    air_stops = find_air_stops(grid, definitions.clamp, definitions.occlusion)
    stops = find_stops(
        grid,
        air_stops,
        definitions.clamp,
        definitions.flow_stopped,
        definitions.occlusion,
        definitions.envelope,
    )
    unhandled = find_stillness(
        grid, air_stops, definitions.flow_stopped, definitions.occlusion, definitions.envelope
    )
    stops = pl.concat([stops, unhandled])
    grid = mark_stops(grid, stops, noted)
    suspicions = find_occlusions(grid, definitions.occlusion, definitions.clamp)
    grid = mark_occlusion(grid, suspicions, noted)
    grid = mark_annotated(grid, noted)
    shut = pl.concat([found.select("from_row", "to_row") for found in (stops, suspicions)])
    grid = mark_against_log(grid, shut, definitions.leak)
    return mark_leak(grid, definitions.leak), alerts
