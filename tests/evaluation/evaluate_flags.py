"""
The flags of single readings, of traces and of holes in the log against the truth, minute by minute.

Every function takes a `Beside` (see `evaluate_fleets.py`) and yields `Figure`s.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import polars as pl

from tests.evaluation.evaluate_figures import Figure, precision_and_recall
from tests.evaluation.evaluate_fleets import Beside

_TRACE_OF_HALF_A_MINUTE = "a trace shows half of its minute, and a bout may fall into the other half or be short of a tenth of the samples"


def flags(beside: Beside) -> Iterator[Figure]:
    """The flags that are scored by minutes, on minutes where the log could tell."""
    m = beside.minutes
    running = m.filter(pl.col("state") == "run")
    upright = m.filter(pl.col("tilt_deg").is_not_null())
    yield from precision_and_recall(upright, pl.col("tilted"), pl.col("true_tilted"), "tilted")
    yield from precision_and_recall(m, pl.col("paused"), pl.col("true_paused"), "paused")
    # Where the log cannot tell an open line from a large leak, it says so; those minutes are scored apart.
    resolved = pl.col("line_open_grade").is_null()
    yield from precision_and_recall(
        running.filter(resolved),
        pl.col("suction_shortfall"),
        pl.col("true_suction_short"),
        "suction_shortfall",
    )
    yield from precision_and_recall(
        running, pl.col("line_open") & resolved, pl.col("true_line_open") & resolved, "line_open"
    )
    missed = running.filter("true_line_open").select(pl.col("line_open").mean()).item()
    yield Figure(
        "line_open: recall, unresolved minutes counted",
        missed,
        f"{running.filter('true_line_open').height} min",
    )
    known = m.filter(pl.col("leak_on").is_not_null())
    yield from precision_and_recall(known, pl.col("leak"), pl.col("true_leaking"), "leak on")
    yield from _seen_in_traces(m)
    gaps = beside.gaps
    yield from precision_and_recall(gaps, pl.col("no_data"), pl.col("true_no_data"), "no_data", None)


def _seen_in_traces(minutes: pl.DataFrame) -> Iterator[Figure]:
    """Coughs and walks on minutes with a trace: without one neither is told, nor could it be."""
    traced = minutes.filter("traced")
    for kind, true in (("cough", "true_coughing"), ("motion", "true_walking")):
        precision, recall = precision_and_recall(traced, pl.col(kind), pl.col(true), kind, None)
        yield precision
        yield replace(
            recall, of=f"{recall.of}, traced", why=_TRACE_OF_HALF_A_MINUTE if kind == "cough" else ""
        )
