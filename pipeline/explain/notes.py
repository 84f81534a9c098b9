"""Notes of staff against the log: why a minute that one speaks of counts for the lung all the same."""

from __future__ import annotations

import polars as pl

from pipeline.course.against_log import against_clauses
from pipeline.definitions import Definitions
from pipeline.explain.answer import Way
from pipeline.explain.words import Words, told
from schemas.vocabulary import AnnotationKind

_FLOW = pl.format(
    "{} mL/min, tidaling {}",
    pl.col("air_leak_ml_min").round(1).cast(pl.String).fill_null("unknown"),
    "tidaling",
)


def contradiction(marked: pl.DataFrame, row: int, kind: AnnotationKind, d: Definitions) -> tuple[Way, ...]:
    """Whether the log contradicts the note of this kind at a row of a marked grid; empty without a note."""
    first, last = f"{kind.value}_from_row", f"{kind.value}_to_row"
    if marked[first][row] is None:
        return ()
    words = {
        "noted": Words("noted by staff", pl.lit(kind.value), "is", kind.value, ""),
        "flow_shown": Words(
            "air leak, and breath",
            _FLOW,
            "above, or tidaling present:",
            figure="leak.on_above",
        ),
        "not_at_an_edge": Words(
            "minute of the note, of how many; at its edge the next one inwards must show flow too",
            pl.format("{} of {}", pl.col("row") - pl.col(first) + 1, pl.col(last) - pl.col(first) + 1),
        ),
        "no_stop_seen": Words("the log finds flow stopped here", pl.col("stop_seen"), "is", "no", ""),
    }
    says = "the log contradicts the note, and the minute counts for the lung, where"
    return (told("against_log", says, marked, row, against_clauses(kind, d.leak), words, d),)
