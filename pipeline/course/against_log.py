"""Notes that the log contradicts: staff wrote that the line was shut, and air or breath shows in it."""

from __future__ import annotations

import polars as pl

from pipeline.course.annotated import noted_in
from pipeline.course.grid import covered
from pipeline.definitions import LeakRules
from schemas.vocabulary import AnnotationKind, Verdict

# Notes that say that nothing passes the line; the others say nothing that a log could contradict.
SHUT = (AnnotationKind.CLAMP_TRIAL, AnnotationKind.CONFIRMED_OCCLUSION)


def against_log(kind: AnnotationKind) -> str:
    """The column of a marked grid that says whether the log contradicts a note of this kind at the minute."""
    return f"{kind.value}_against_log"


def mark_against_log(grid: pl.DataFrame, stops: pl.DataFrame, rules: LeakRules) -> pl.DataFrame:
    """
    Add for each kind of `SHUT` whether the log contradicts a note of it at the minute: see `against_log`.

    Staff decide where the log cannot; here it can. The finding stays theirs and keeps its minutes, but such a
    minute counts for the lung as if nothing had been written, and for no total of clamped or blocked minutes.

    Parameters
    ----------
    grid
        With tidaling, sightings of breathing, `line_open` and what was noted (`mark_annotated`).
    stops
        `from_row`, `to_row` of what the log itself shows of stopped flow: clamps, stops, suspicions.

    Returns
    -------
    The grid with, besides, `<kind>_from_row` and `<kind>_to_row` (first and last row of the note here,
    notes of one kind that touch taken as one; null outside), and `stop_seen`.
    """
    marked = grid.with_columns(stop_seen=covered(grid, stops))
    for kind in SHUT:
        marked = marked.with_columns(**_bounds(kind))
    return marked.with_columns(
        pl.all_horizontal(against_clauses(kind, rules).values()).fill_null(False).alias(against_log(kind))
        for kind in SHUT
    )


def against_clauses(kind: AnnotationKind, rules: LeakRules) -> dict[str, pl.Expr]:
    """
    The clauses of a minute in which the log contradicts a note of this kind, by name, null where unknown.

    - `noted`: the minute lies in such a note;
    - `flow_shown`: the device runs, and its leak is above `leak.on_above` with the line not open to the room,
      or tidaling is `present`. A verdict holds on for minutes after its trace, so breathing must have been
      seen since the note's first minute, or in that minute itself;
    - `not_at_an_edge`: in the first and the last minute of a note somebody had a hand on the line. These
      count where the minute beside them shows flow as well, inwards; of a note of one minute, both beside it;
    - `no_stop_seen`: the log does not itself find that flow had stopped at this minute.
    """
    first, last = (pl.col(f"{kind.value}_{end}_row") for end in ("from", "to"))
    shown = _flow_shown(first, rules)
    before, after = (
        (shown.shift(by) & (pl.col("span_no").shift(by) == pl.col("span_no"))).fill_null(False)
        for by in (1, -1)
    )
    return {
        "noted": first.is_not_null(),
        "flow_shown": shown,
        "not_at_an_edge": ((pl.col("row") != first) | after) & ((pl.col("row") != last) | before),
        "no_stop_seen": ~pl.col("stop_seen"),
    }


def _flow_shown(since: pl.Expr, rules: LeakRules) -> pl.Expr:
    leaks = ~pl.col("line_open") & (pl.col("air_leak_ml_min") > rules.on_above)
    own = pl.col("breath_seen") | (pl.col("breath_row") > since).fill_null(False)
    return pl.col("running") & (leaks | ((pl.col("tidaling") == Verdict.PRESENT) & own))


def _bounds(kind: AnnotationKind) -> dict[str, pl.Expr]:
    """First and last row of the unbroken run of noted minutes, within the span."""
    inside = pl.col(noted_in(kind))
    begins, ends = (
        inside & ~(inside.shift(by) & (pl.col("span_no").shift(by) == pl.col("span_no"))).fill_null(False)
        for by in (1, -1)
    )
    return {
        f"{kind.value}_from_row": pl.when(inside).then(pl.when(begins).then("row").forward_fill()),
        f"{kind.value}_to_row": pl.when(inside).then(pl.when(ends).then("row").backward_fill()),
    }
