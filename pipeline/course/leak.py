"""Leak: which minutes count for the lung, and when its leak is on."""

from __future__ import annotations

import polars as pl

from pipeline.course.against_log import against_log
from pipeline.definitions import LeakRules
from schemas.vocabulary import AnnotationKind, Grade


def assessable_clauses() -> dict[str, pl.Expr]:
    """
    The clauses of a minute that counts for the lung's leak, by name.

    A note of staff takes no minute away in which the log shows that air or breath passed (`against_log`).
    """
    blocked = pl.col("occlusion_suspected") & pl.col("occlusion_suspected_grade").is_in(
        [Grade.PROBABLE.value, Grade.ANNOTATED.value]
    ).fill_null(False)
    trial, block = AnnotationKind.CLAMP_TRIAL, AnnotationKind.CONFIRMED_OCCLUSION
    return {
        "running": pl.col("running"),
        "line_closed": ~pl.col("line_open"),
        "not_clamped": ~pl.col("clamped") | pl.col(against_log(trial)),
        "flow_not_stopped": ~pl.col("flow_stopped"),
        "not_probably_blocked": ~blocked | pl.col(against_log(block)),
    }


def leak_clauses(rules: LeakRules) -> dict[str, pl.Expr]:
    """
    The clauses of a leak that is on, by name, on a marked grid.

    Where the first two do not hold there is no median, and whether the leak is on is unknown: they are
    never false.
    """
    watched = pl.col("leak_known_minutes") >= rules.least_minutes
    return {
        "watched": pl.when(watched).then(pl.lit(True)),
        "resolved": pl.when(~_unresolved()).then(pl.lit(True)),
        "above": pl.col("leak_median_ml_min") > rules.on_above,
    }


def _unresolved() -> pl.Expr:
    return pl.col("line_open") & (pl.col("line_open_grade") == Grade.UNRESOLVED).fill_null(False)


def mark_leak(grid: pl.DataFrame, rules: LeakRules) -> pl.DataFrame:
    """
    Add `assessable`, `leak_median_ml_min` (m(t)), `leak_known_minutes`, `leak_on` and `leak`.

    m(t) is the median of the known leaks of the assessable minutes within `half_window` on either
    side, where there are at least `least_minutes` of them; the leak is on where m(t) is above
    `on_above`. A median over an hour lets a cough or a bump pass and keeps a plateau. It is taken at
    every minute, so that a short pause does not cut a leak in two. Where the line was open so long
    that it is `unresolved` the lung's leak is unknown, whatever the minutes around say.

    A suspected occlusion of grade `possible` counts: a lung that seals at once looks the same, and
    its zeros must count.
    """
    half = rules.half_window
    counted = pl.when(pl.col("assessable")).then(pl.col("air_leak_ml_min"))
    median = counted.rolling_median(2 * half + 1, min_samples=rules.least_minutes, center=True)
    return (
        grid.with_columns(assessable=pl.all_horizontal(assessable_clauses().values()))
        .with_columns(
            leak_median_ml_min=median.over("span_no"),
            leak_known_minutes=counted.is_not_null()
            .cast(pl.Int32)
            .rolling_sum(2 * half + 1, min_samples=1, center=True)
            .over("span_no"),
        )
        .with_columns(leak_median_ml_min=pl.when(~_unresolved()).then("leak_median_ml_min"))
        .with_columns(leak_on=leak_clauses(rules)["above"])
        .with_columns(leak=pl.all_horizontal(leak_clauses(rules).values()).fill_null(False))
    )
