"""The course of device uses: what happened, minute by minute."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.course.alerts import find_alerts
from pipeline.course.annotated import annotated_rows
from pipeline.course.artefacts import mark_artefacts
from pipeline.course.breathing import mark_sightings
from pipeline.course.clamp import find_stops, mark_stops
from pipeline.course.findings import findings_of
from pipeline.course.fluid import reconstruct_output
from pipeline.course.grid import dense_grid
from pipeline.course.handling import mark_handled, mark_state
from pipeline.course.leak import mark_leak
from pipeline.course.line_open import mark_line_open
from pipeline.course.occlusion import find_occlusions, mark_occlusion
from pipeline.course.periods import find_periods, flags_of
from pipeline.course.suction import mark_shortfall
from pipeline.course.surge import mark_surge
from pipeline.course.tidaling import tidaling_of
from pipeline.course.tilt import mark_tilt
from pipeline.definitions import Definitions
from schemas.lake import COURSE, USE_ALERT, USE_CANISTER


@dataclass(frozen=True)
class Course:
    """
    What happened over some device uses.

    Parameters
    ----------
    minutes
        COURSE: every minute of every use with readings, fluid, tidaling, leak and flags.
    periods
        USE_PERIOD: the flagged stretches with grade and detail.
    alerts
        USE_ALERT.
    canisters
        USE_CANISTER.
    """

    minutes: pl.DataFrame
    periods: pl.DataFrame
    alerts: pl.DataFrame
    canisters: pl.DataFrame


def course_of(
    resolved: pl.DataFrame,
    uses: pl.DataFrame,
    evidence: pl.DataFrame,
    cuts: pl.DataFrame,
    annotations: pl.DataFrame,
    definitions: Definitions,
) -> Course:
    """
    Work out what happened at the bedside over any number of device uses at once.

    Minutes are laid on a grid without holes; tilt, pause and fluid are marked first, then what the
    pressure shows of breathing, then what rests on both (line open, clamped, flow stopped, suspected
    occlusion), last the leak, which counts only minutes that none of these cover. Each use's result is
    its own: windows stay within (use, span), fluid and alerts within the use, and neither the other
    uses of the batch nor the order of rows changes anything.

    Where a reading is missing no finding is made of it, and where it matters the minute is null.

    Parameters
    ----------
    resolved
        RESOLVED rows of whole uses.
    uses
        USE_TABLE rows of at least these uses.
    evidence
        EVIDENCE rows of these uses' traces.
    cuts
        `use_id`, `at`: where a use goes from one tube to the next.
    annotations
        `use_id`, `started_at`, `ended_at` (nullable), `kind`.
    definitions
        All figures; a change needs no code.
    """
    grid, canisters = mark_readings(resolved, uses, cuts, definitions)
    grid = tidaling_of(grid, evidence, definitions)
    marked, alerts = mark_findings(grid, uses, evidence, annotations, definitions)
    findings = findings_of(definitions)
    minutes = marked.with_columns(flags=flags_of(marked, findings))
    return Course(
        minutes=COURSE.conform(minutes),
        periods=find_periods(marked, findings),
        alerts=USE_ALERT.conform(alerts.sort(USE_ALERT.key)),
        canisters=USE_CANISTER.conform(canisters.sort(USE_CANISTER.key)),
    )


def mark_readings(
    resolved: pl.DataFrame, uses: pl.DataFrame, cuts: pl.DataFrame, definitions: Definitions
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The minute grid with what the device's own readings say (state, tilt, fluid), and the canisters."""
    grid = mark_tilt(mark_state(dense_grid(resolved, cuts)), definitions.tilted)
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
    grid = mark_artefacts(grid, definitions.trace)
    grid = mark_shortfall(mark_line_open(grid, definitions.line_open), definitions.suction_shortfall)
    grid = mark_surge(grid, uses, definitions.output_surge)
    alerts = find_alerts(grid, uses, definitions.alerts)
    grid = mark_handled(mark_sightings(grid, evidence), alerts, definitions.clamp.stop_within)
    noted = annotated_rows(grid, annotations, definitions.occlusion)
    stops = find_stops(grid, definitions.clamp, definitions.flow_stopped, definitions.occlusion)
    grid = mark_stops(grid, stops, noted)
    occlusions = find_occlusions(grid, definitions.occlusion, definitions.envelope.floor)
    grid = mark_occlusion(grid, occlusions, noted)
    return mark_leak(grid, definitions.leak), alerts
