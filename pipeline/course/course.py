"""The course of device uses: what happened, minute by minute."""

from __future__ import annotations

import polars as pl

from pipeline.course.marks import mark_findings, mark_readings
from pipeline.course.tidaling import tidaling_of
from pipeline.course.ventilation import read_ventilated
from pipeline.course.written import Course, written_up
from pipeline.definitions import Definitions


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
    marked, alerts, canisters = marked_course(resolved, uses, evidence, cuts, annotations, definitions)
    return written_up(marked, alerts, canisters, definitions)


def marked_course(
    resolved: pl.DataFrame,
    uses: pl.DataFrame,
    evidence: pl.DataFrame,
    cuts: pl.DataFrame,
    annotations: pl.DataFrame,
    definitions: Definitions,
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """
    The marked grid, alerts and canisters of `course_of` before they are written up.

    The grid holds everything the flags were made of, from which each can be explained.
    """
    grid, canisters = mark_readings(resolved, uses, cuts, definitions)
    evidence = read_ventilated(evidence, grid, annotations, definitions)
    grid = tidaling_of(grid, evidence, definitions)
    marked, alerts = mark_findings(grid, uses, evidence, annotations, definitions)
    return marked, alerts, canisters
