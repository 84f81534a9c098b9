"""The flags that are found as whole stretches: suspected occlusion, clamped line, stopped flow."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.course.air_stops import find_air_stops
from pipeline.course.clamp import judge_stops, return_clauses, stop_clauses
from pipeline.course.dry_clamp import dry_clauses, judge_dry_clamps
from pipeline.course.occlusion import judge_occlusions, probable_clauses, suspicion_clauses
from pipeline.course.still_stretch import still_clauses
from pipeline.course.stillness import find_stillness, judge_stillness, stillness_clauses
from pipeline.definitions import Definitions
from pipeline.explain.answer import Answer, Clause, FlagAnswer, Way
from pipeline.explain.notes import contradiction
from pipeline.explain.stretch_words import DRY, OFF, PROBABLE, RETURN, STILL, STILLNESS, STOP, occlusion_words
from pipeline.explain.words import Words, told
from schemas.vocabulary import AnnotationKind, PeriodKind


def explain_stretches(
    marked: pl.DataFrame, row: int, noted: pl.DataFrame, definitions: Definitions
) -> list[FlagAnswer]:
    """
    Why each flag of whole stretches holds or not at one row of a marked grid.

    Candidates are judged as the flags judge them; shown is the one around the minute that comes nearest.

    Parameters
    ----------
    noted
        From `annotated_rows`: `from_row`, `to_row`, `kind`, `detail`.
    """
    return [
        _occlusion(marked, row, noted, definitions),
        _clamped(marked, row, noted, definitions),
        _flow_stopped(marked, row, definitions),
    ]


def _occlusion(marked: pl.DataFrame, row: int, noted: pl.DataFrame, d: Definitions) -> FlagAnswer:
    # Suspicions rest on the stops of flow as they were before a suspicion explained some of them.
    before = marked.with_columns(flow_stopped="flow_stopped_at_first")
    judged = judge_occlusions(before, d.occlusion, d.clamp)
    clauses = suspicion_clauses()
    near = _nearest(judged, row, pl.all_horizontal(c.fill_null(False) for c in clauses.values()))
    minute = told("minute", "whether this minute counts", marked, row, still_clauses(d.occlusion), STILL, d)
    by_log = _judged("log", "told by the log", marked, row, judged, near, clauses, occlusion_words(d), d)
    beside = [minute, *contradiction(marked, row, AnnotationKind.CONFIRMED_OCCLUSION, d)]
    if near is not None:
        refuted = _touching(noted, AnnotationKind.REFUTED, judged["from_row"][near], judged["to_row"][near])
        by_log = _and(by_log, _not_refuted(refuted))
        beside.append(told("grade", "graded probable where", judged, near, probable_clauses(), PROBABLE, d))
    return FlagAnswer(
        PeriodKind.OCCLUSION_SUSPECTED,
        (by_log, _noted("a blocked tube", noted, AnnotationKind.CONFIRMED_OCCLUSION, row)),
        tuple(beside),
        marked["occlusion_suspected_grade"][row],
    )


def _clamped(marked: pl.DataFrame, row: int, noted: pl.DataFrame, d: Definitions) -> FlagAnswer:
    air_stops = find_air_stops(marked, d.clamp, d.occlusion)
    stops = judge_stops(marked, air_stops, d.clamp, d.flow_stopped, d.occlusion)
    both = stop_clauses() | return_clauses()
    near = _nearest(stops, row, pl.all_horizontal(c.fill_null(False) for c in both.values()))
    dry = judge_dry_clamps(marked, d.clamp, d.flow_stopped, d.occlusion, d.envelope)
    near_dry = _nearest(dry, row, pl.all_horizontal(c.fill_null(False) for c in dry_clauses().values()))
    return FlagAnswer(
        PeriodKind.CLAMPED,
        (
            _judged(
                "leak", "leak and breath stop and return", marked, row, stops, near, both, STOP | RETURN, d
            ),
            _judged("breath", "breath alone, no leak", marked, row, dry, near_dry, dry_clauses(), DRY, d),
            _noted("a clamp trial", noted, AnnotationKind.CLAMP_TRIAL, row),
        ),
        contradiction(marked, row, AnnotationKind.CLAMP_TRIAL, d),
        marked["clamped_grade"][row],
    )


def _flow_stopped(marked: pl.DataFrame, row: int, d: Definitions) -> FlagAnswer:
    air_stops = find_air_stops(marked, d.clamp, d.occlusion)
    stops = judge_stops(marked, air_stops, d.clamp, d.flow_stopped, d.occlusion)
    unreturned = {"not_returned": ~pl.all_horizontal(c.fill_null(False) for c in return_clauses().values())}
    clauses = stop_clauses() | unreturned
    near = _nearest(stops, row, pl.all_horizontal(c.fill_null(False) for c in clauses.values()))
    handled = _judged(
        "handled", "both stop after handling", marked, row, stops, near, clauses, STOP | RETURN, d
    )
    lasting = find_stillness(marked, air_stops, d.flow_stopped, d.occlusion, d.envelope)
    still = judge_stillness(marked, air_stops, d.flow_stopped, d.occlusion).join(
        lasting.select("from_row", "to_row"), on="from_row", how="left", maintain_order="left"
    )
    near_still = _nearest(
        still, row, pl.all_horizontal(c.fill_null(False) for c in stillness_clauses().values())
    )
    stillness = _judged(
        "stillness",
        "the pressure goes still with the leak",
        marked,
        row,
        still,
        near_still,
        stillness_clauses(),
        STILLNESS,
        d,
    )
    alone = {
        "not_clamped": ~pl.col("clamped"),
        "observed": ~pl.col("no_data"),
        "unexplained": ~pl.col("stop_explained"),
    }
    stands = told("alone", "nothing says more", marked, row, alone, OFF, d)
    return FlagAnswer(
        PeriodKind.FLOW_STOPPED,
        tuple(Way(w.name, w.says, (*w.clauses, *stands.clauses)) for w in (handled, stillness)),
    )


def _nearest(judged: pl.DataFrame, row: int, raised: pl.Expr) -> int | None:
    """Which candidate around the row to show: one that covers it and is raised, else the last to begin."""
    ends = ["to_row", "end_row"] if "end_row" in judged.columns else ["to_row"]
    around = (
        judged.with_row_index("place")
        .select(
            "place",
            "from_row",
            covers=pl.col("from_row").le(row) & pl.max_horizontal(ends).ge(row),
            raised=raised & pl.col("from_row").le(row) & pl.col("to_row").ge(row),
        )
        .filter(pl.col("covers").fill_null(False))
        .sort("raised", "from_row", descending=True, nulls_last=True)
    )
    return None if around.is_empty() else int(around["place"][0])


def _judged(
    name: str,
    says: str,
    marked: pl.DataFrame,
    row: int,
    judged: pl.DataFrame,
    near: int | None,
    clauses: Mapping[str, pl.Expr],
    words: Mapping[str, Words],
    definitions: Definitions,
) -> Way:
    """The stretch around the minute and what it meets; without one, that there is none."""
    if near is None:
        return Way(
            name, says, (Clause("in_stretch", "such a stretch around this minute", Answer.NOT_MET, "none"),)
        )
    first, last = judged["from_row"][near], judged["to_row"][near]
    shown = last if last is not None else judged["end_row"][near]
    inside = last is not None and first <= row <= last
    stretch = Clause(
        "in_stretch",
        "the stretch around this minute (UTC)",
        Answer.HOLDS if inside else Answer.NOT_MET,
        f"{marked['minute'][first]:%d %b %H:%M} to {marked['minute'][shown]:%d %b %H:%M}",
    )
    met = told(name, says, judged, near, clauses, words, definitions)
    return Way(name, says, (stretch, *met.clauses))


def _touching(noted: pl.DataFrame, kind: AnnotationKind, first: int, last: int) -> pl.DataFrame:
    return noted.filter(pl.col("kind") == kind.value, pl.col("from_row") <= last, pl.col("to_row") >= first)


def _noted(what: str, noted: pl.DataFrame, kind: AnnotationKind, row: int) -> Way:
    here = _touching(noted, kind, row, row)
    said = here["detail"].to_list()
    answer = Answer.HOLDS if said else Answer.NOT_MET
    clause = Clause("noted", "annotation by staff", answer, said[0] if said else "none", "", "is", kind.value)
    return Way("annotation", f"staff noted {what}", (clause,))


def _not_refuted(refuted: pl.DataFrame) -> Clause:
    said = refuted["detail"].to_list()
    return Clause(
        "not_refuted",
        "annotation that refutes it",
        Answer.NOT_MET if said else Answer.HOLDS,
        said[0] if said else "none",
        "",
        "is",
        "none",
    )


def _and(way: Way, clause: Clause) -> Way:
    return Way(way.name, way.says, (*way.clauses, clause))
