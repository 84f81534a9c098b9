"""The flags that a minute's own readings, or an average around it, decide."""

from __future__ import annotations

import polars as pl

from pipeline.course.against_log import against_log
from pipeline.course.artefacts import artefact_clauses
from pipeline.course.grid import decimal
from pipeline.course.handling import no_data_clauses, paused_clauses
from pipeline.course.leak import assessable_clauses, leak_clauses
from pipeline.course.line_open import line_leak_clauses, line_open_clauses, unresolved_clauses
from pipeline.course.suction import shortfall_clauses
from pipeline.course.surge import first_hour_clauses, surge_clauses
from pipeline.course.tilt import tilt_clauses
from pipeline.definitions import Definitions
from pipeline.explain.answer import FlagAnswer, Way
from pipeline.explain.words import RUNNING, Words, told
from schemas.vocabulary import AlertCode, AnnotationKind, ArtefactKind, Grade, PeriodKind

_SHORT_BY = decimal(pl.col("pressure_mean_cmh2o") - pl.col("set_pressure_cmh2o"))
_LEAK = pl.col("air_leak_ml_min")
_RINGING = pl.col("alerts").list.join(", ").replace("", "none")
_HELD = "not in force"


def _is_off(flag: str) -> Words:
    in_force = pl.when(flag).then(pl.lit("in force")).otherwise(pl.lit(_HELD))
    return Words(flag, in_force, "is", _HELD, "")


def _unless_against_log(value: pl.Expr, kind: AnnotationKind) -> pl.Expr:
    """The value of a clause that a note decides; where the log contradicts that note it holds even so."""
    return pl.when(against_log(kind)).then(pl.lit("noted, against the log")).otherwise(value)


TILTED = {"leans": Words("tilt from upright", pl.col("tilt_deg"), ">", figure="tilted.limit")}
VOLUME = {
    "trusted": Words("canister reading, of those the flag leaves", pl.col("canister_volume_ml"), unit="mL"),
    "accepted": Words("taken into the fluid as", pl.col("output_ml"), unit="mL since the use began"),
}
PAUSED = {"state": Words("state of the device", pl.col("state"), "is", "pause", "")}
NO_DATA = {"lacking": Words("the log has the minute", pl.col("observed"), "is", "no", "")}
SHORTFALL = {
    "running": RUNNING,
    "line_closed": Words(
        "line_open here and its grade",
        pl.when("line_open").then(pl.col("line_open_grade").fill_null("open")).otherwise(pl.lit("closed")),
        "is not",
        "open",
        "",
    ),
    "beyond_absolute": Words(
        "suction short of the ordered by", _SHORT_BY, ">", figure="suction_shortfall.absolute"
    ),
    "lasts": Words(
        "minutes on end like this", pl.col("shortfall_minutes"), "at least", figure="suction_shortfall.least"
    ),
}
LINE_OPEN = {
    "running": RUNNING,
    "flow_high": Words("air leak", _LEAK, ">", figure="line_open.flow"),
    "lasts": Words(
        "minutes on end like this", pl.col("line_open_minutes"), "at least", figure="line_open.least"
    ),
}
LINE_LEAK = {"rings": Words("alerts that ring", _RINGING, "include", AlertCode.LINE_LEAK.value, "")}
LINE_OPEN_GRADE = {
    "lasts_long": Words(
        "the line open, in a row",
        pl.col("open_stretch_minutes"),
        ">",
        figure="line_open.unresolved_after",
    ),
    "much_air_for_long": Words(
        "minutes of that much air, before, within and after",
        pl.col("open_flow_minutes"),
        ">",
        figure="line_open.unresolved_after",
    ),
    "breathing_seen": Words("a trace inside shows breathing", pl.col("open_breath_seen"), "is", "yes", ""),
}
OBSERVED = Words("the log has the minute", pl.col("observed"), "is", "yes", "")
LEAK = {
    "observed": OBSERVED,
    "watched": Words(
        "assessable minutes around with a known leak",
        pl.col("leak_known_minutes"),
        "at least",
        figure="leak.least_minutes",
    ),
    "resolved": Words(
        "grade of line_open here",
        pl.when("line_open").then(pl.col("line_open_grade").fill_null("none")).otherwise(pl.lit(_HELD)),
        "is not",
        Grade.UNRESOLVED.value,
        "",
    ),
    "above": Words(
        "median leak of the hour around", pl.col("leak_median_ml_min"), ">", figure="leak.on_above"
    ),
    "sure": Words(
        "the same, were it nil in the minutes the log lacks",
        pl.col("leak_least_ml_min"),
        ">",
        figure="leak.on_above",
    ),
}
ASSESSABLE = {
    "running": RUNNING,
    "line_closed": _is_off("line_open"),
    "not_clamped": Words(
        "clamped",
        _unless_against_log(
            pl.when("clamped").then(pl.lit("in force")).otherwise(pl.lit(_HELD)), AnnotationKind.CLAMP_TRIAL
        ),
        "is",
        _HELD,
        "",
    ),
    "flow_not_stopped": _is_off("flow_stopped"),
    "not_probably_blocked": Words(
        "grade of occlusion_suspected",
        _unless_against_log(
            pl.when("occlusion_suspected").then("occlusion_suspected_grade").otherwise(pl.lit(_HELD)),
            AnnotationKind.CONFIRMED_OCCLUSION,
        ),
        "is neither",
        f"{Grade.PROBABLE.value} nor {Grade.ANNOTATED.value}",
        "",
    ),
}
SURGE = {"observed": OBSERVED}
FIRST_HOUR = {
    "observed": OBSERVED,
    "in_first_hour": Words("first hour of a use seen to begin", pl.col("in_first_hour"), "is", "yes", ""),
    "came": Words("fluid since the use began", pl.col("output_ml"), ">", figure="output_surge.first_hour"),
}


def _artefact(kind: ArtefactKind) -> dict[str, Words]:
    return {
        "main_artefact": Words(
            "main artefact of the minute's trace", pl.col("artefact_kind"), "is", kind.value, ""
        ),
        "enough": Words(
            "share of the trace that is artefact",
            pl.col("artefact_fraction"),
            ">",
            figure="trace.artefact_share",
        ),
    }


def explain_readings(marked: pl.DataFrame, row: int, definitions: Definitions) -> list[FlagAnswer]:
    """
    Why each flag that rests on readings holds or not at one row of a marked grid.

    Every clause is the expression that the flag itself is made of.
    """

    def way(name: str, says: str, clauses: dict[str, pl.Expr], words: dict[str, Words]) -> Way:
        return told(name, says, marked, row, clauses, words, definitions)

    d = definitions
    share = decimal(pl.col("set_pressure_cmh2o").abs() * (d.suction_shortfall.relative / 100))
    part = f"{d.suction_shortfall.relative:g} % of the ordered suction: short of it by"
    shortfall = SHORTFALL | {
        "beyond_share": Words(part, _SHORT_BY, ">", share, "cm[H2O]", "suction_shortfall.relative")
    }
    half = pl.col("set_pressure_cmh2o").abs() * d.line_open.suction_share
    line_open = LINE_OPEN | {
        "suction_lost": Words(
            "strength of suction",
            pl.col("pressure_mean_cmh2o").abs(),
            "<",
            half,
            "cm[H2O]",
            "line_open.suction_share",
        )
    }
    surge = SURGE | {
        "rose": Words(
            f"fluid read to come within {d.output_surge.window:g} min",
            pl.col("output_rise_ml"),
            ">",
            d.output_surge.rate * d.output_surge.window / 60,
            "mL",
            "output_surge.rate",
        )
    }
    unresolved = tuple(
        way(name, "graded unresolved where", {name: pl.col("line_open") & clause}, LINE_OPEN_GRADE)
        for name, clause in unresolved_clauses(d.line_open).items()
    )
    volume = {"trusted": pl.col("volume_trusted"), "accepted": pl.col("volume_read")}
    return [
        FlagAnswer(
            PeriodKind.TILTED,
            (way("angle", "the device leans", tilt_clauses(d.tilted), TILTED),),
            (way("volume", "what becomes of the canister's reading", volume, VOLUME),),
        ),
        FlagAnswer(PeriodKind.PAUSED, (way("state", "suction is paused", paused_clauses(), PAUSED),)),
        FlagAnswer(
            PeriodKind.LINE_OPEN,
            (
                way("readings", "much air at little suction", line_open_clauses(d.line_open), line_open),
                way("alert", "the device itself says so", line_leak_clauses(), LINE_LEAK),
            ),
            unresolved,
            marked["line_open_grade"][row],
        ),
        FlagAnswer(
            PeriodKind.SUCTION_SHORTFALL,
            (
                way(
                    "readings",
                    "less suction than was ordered",
                    shortfall_clauses(d.suction_shortfall),
                    shortfall,
                ),
            ),
        ),
        FlagAnswer(
            PeriodKind.LEAK,
            (way("median", "the leak around this minute is on", leak_clauses(d.leak), LEAK),),
            (way("assessable", "whether this minute itself counts", assessable_clauses(), ASSESSABLE),),
        ),
        *(
            FlagAnswer(
                PeriodKind(kind.value),
                (
                    way(
                        "trace",
                        "seen in the minute's own trace",
                        artefact_clauses(kind, d.trace),
                        _artefact(kind),
                    ),
                ),
            )
            for kind in (ArtefactKind.COUGH, ArtefactKind.MOTION)
        ),
        FlagAnswer(PeriodKind.NO_DATA, (way("log", "the log lacks it", no_data_clauses(), NO_DATA),)),
        FlagAnswer(
            PeriodKind.OUTPUT_SURGE,
            (
                way("window", "much fluid over the window", surge_clauses(d.output_surge), surge),
                way("first_hour", "much fluid at once", first_hour_clauses(d.output_surge), FIRST_HOUR),
            ),
        ),
    ]
