"""The windows that a validation sample is drawn from, each with what the pipeline says of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.definitions import StripRules
from schemas.vocabulary import PeriodKind, TidalingBasis, Verdict

CANNOT_TELL = "cannot_tell"
YES, NO = "yes", "no"

# What a reader is asked of a strip, and the answers allowed.
QUESTIONS: dict[str, tuple[str, ...]] = {
    "tidaling": (Verdict.PRESENT.value, Verdict.ABSENT.value, CANNOT_TELL),
    "leak": (YES, NO, CANNOT_TELL),
    "blocked": (YES, NO, CANNOT_TELL),
    "clamped": (YES, NO, CANNOT_TELL),
    "line_open": (YES, NO, CANNOT_TELL),
    "disturbed": (YES, NO, CANNOT_TELL),
}

# A window's stratum is the first of these that it holds: what is rare and grave before what is common.
STRATA = (
    PeriodKind.OCCLUSION_SUSPECTED.value,
    PeriodKind.CLAMPED.value,
    PeriodKind.FLOW_STOPPED.value,
    PeriodKind.LINE_OPEN.value,
    PeriodKind.MOTION.value,
    PeriodKind.COUGH.value,
    PeriodKind.TIDALING_ABSENT.value,
    PeriodKind.LEAK.value,
    PeriodKind.TIDALING_PRESENT.value,
)
QUIET = "quiet"

_ANY = STRATA[:6]
_DISTURBED = [PeriodKind.COUGH.value, PeriodKind.MOTION.value]


def strip_frame(
    drains: pl.DataFrame, drain_use: pl.DataFrame, course: pl.DataFrame, rules: StripRules
) -> pl.DataFrame:
    """
    Cut drains into windows of equal length and say of each what the pipeline found in it.

    From the first observed minute of a drain on, windows follow one another without overlap; one of which
    less than `least_observed` was observed is no strip. A finding that counts by the minute (an
    occlusion, a clamp, an open line, cough, motion) is in the window if any minute of it is; tidaling and
    leak are what more than half of the known minutes say. What the pipeline could not know is
    `cannot_tell`: no reading, no trace, no verdict either way.

    Readers are blind on purpose to what staff noted, as they are to all that the pipeline says: a strip shows
    neither a note nor where the log speaks against one. The pipeline's answers are those it published, a
    finding that rests on a note among them.

    Parameters
    ----------
    drains
        `drain_id`, `site`.
    drain_use
        Stretches of these drains.
    course
        COURSE of their uses.

    Returns
    -------
    One row a window: `drain_id`, `site`, `window` (from 0), `from_at`, `stratum`, `traced`, `disturbed_at`
    (minutes with cough or motion), and one column a question of `QUESTIONS` with the pipeline's answer.
    """
    minutes = (
        course.lazy()
        .filter("observed")
        .join(drain_use.lazy().select("drain_id", "use_id", "from_at", "until_at"), on="use_id")
        .filter((pl.col("from_at") <= pl.col("minute")) & (pl.col("minute") < pl.col("until_at")))
        .with_columns(begun=pl.col("minute").min().over("drain_id"))
        .with_columns(window=(pl.col("minute") - pl.col("begun")).dt.total_minutes() // rules.minutes)
    )
    verdict = pl.col("tidaling")
    told = verdict.is_in([Verdict.PRESENT.value, Verdict.ABSENT.value])
    leak_known = pl.col("assessable") & pl.col("leak_on").is_not_null()
    found = (
        minutes.group_by("drain_id", "window")
        .agg(
            begun=pl.col("begun").first(),
            observed=pl.len(),
            present=(verdict == Verdict.PRESENT.value).sum(),
            absent=(verdict == Verdict.ABSENT.value).sum(),
            told=told.sum(),
            leak_on=(leak_known & pl.col("leak_on")).sum(),
            leak_known=leak_known.sum(),
            flow_read=pl.col("air_leak_ml_min").is_not_null().any(),
            traced=(pl.col("tidaling_basis") == TidalingBasis.TRACE.value).fill_null(False).any(),
            disturbed_at=(pl.col("minute") - pl.col("begun"))
            .filter(pl.col("flags").list.set_intersection(_DISTURBED).list.len() > 0)
            .dt.total_minutes(),
            **{f"has_{kind}": pl.col("flags").list.contains(kind).any() for kind in _ANY},
        )
        .filter(pl.col("observed") >= rules.least_observed * rules.minutes)
        .collect()
    )
    most = pl.col("observed") / 2
    present, absent = pl.col("present") > most, pl.col("absent") > most
    leaking = pl.col("leak_on") * 2 > pl.col("leak_known")
    known_leak = pl.col("leak_known") > most
    disturbed = _has(PeriodKind.COUGH) | _has(PeriodKind.MOTION)
    answered = found.join(drains.select("drain_id", "site"), on="drain_id").with_columns(
        disturbed_at=pl.col("disturbed_at").list.eval(pl.element() % rules.minutes),
        from_at=pl.col("begun") + pl.duration(minutes=pl.col("window") * rules.minutes),
        tidaling=pl.when(present)
        .then(pl.lit(Verdict.PRESENT.value))
        .when(absent)
        .then(pl.lit(Verdict.ABSENT.value))
        .otherwise(pl.lit(CANNOT_TELL)),
        leak=_answer(leaking, known_leak),
        blocked=_answer(_has(PeriodKind.OCCLUSION_SUSPECTED), pl.col("told") > 0),
        clamped=_answer(_has(PeriodKind.CLAMPED), pl.col("flow_read")),
        line_open=_answer(_has(PeriodKind.LINE_OPEN), pl.col("flow_read")),
        disturbed=_answer(disturbed, pl.col("traced")),
    )
    holds = [(kind, pl.col(f"has_{kind}")) for kind in _ANY] + [
        (PeriodKind.TIDALING_ABSENT.value, absent),
        (PeriodKind.LEAK.value, leaking & known_leak),
        (PeriodKind.TIDALING_PRESENT.value, present),
    ]
    stratum = pl.coalesce(*(pl.when(it).then(pl.lit(kind)) for kind, it in holds), pl.lit(QUIET))
    columns = ["drain_id", "site", "window", "from_at", "stratum", "traced", "disturbed_at", *QUESTIONS]
    return answered.with_columns(stratum=stratum).select(columns).sort("drain_id", "window")


def as_shown(drawn: pl.DataFrame, shown: Mapping[str, Sequence[int]]) -> pl.DataFrame:
    """
    The drawn strips with `disturbed` as of the traces that readers are shown, and of no others.

    Cough and motion are read from traces; of a strip with many only some are shown, and what the pipeline
    saw in the others no reader could.

    Parameters
    ----------
    shown
        Strip → minutes (from its beginning) whose traces are shown.
    """
    answers = [
        CANNOT_TELL if not shown.get(strip) else YES if set(shown[strip]) & set(minutes) else NO
        for strip, minutes in drawn.select("strip", "disturbed_at").iter_rows()
    ]
    return drawn.with_columns(disturbed=pl.Series(answers, dtype=pl.String)).drop("disturbed_at")


def _has(kind: PeriodKind) -> pl.Expr:
    return pl.col(f"has_{kind.value}")


def _answer(holds: pl.Expr, known: pl.Expr) -> pl.Expr:
    return (
        pl.when(holds & known)
        .then(pl.lit(YES))
        .when(known)
        .then(pl.lit(NO))
        .when(holds)
        .then(pl.lit(YES))
        .otherwise(pl.lit(CANNOT_TELL))
    )
