"""Leak: which minutes count for the lung, and when its leak is on."""

from __future__ import annotations

import polars as pl

from pipeline.course.against_log import against_log
from pipeline.course.grid import latest_row, next_row
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
    The clauses of a leak that is on at a minute the log has, by name, on a marked grid.

    Where the first two do not hold there is no median, and where `sure` does not, the minutes that the log
    lacks could each have been without leak: whether the leak is on is then unknown, so these are never false.
    """
    watched = pl.col("leak_known_minutes") >= rules.least_minutes
    return {
        "observed": pl.col("observed"),
        "watched": pl.when(watched).then(pl.lit(True)),
        "resolved": pl.when(~_unresolved()).then(pl.lit(True)),
        **_of_medians(rules.on_above),
    }


def leak_on_above(limit: float) -> pl.Expr:
    """
    Whether the leak is on, by a limit in mL/min that may be another than the course's own; null: unknown.

    Needs `leak_median_ml_min` and `leak_least_ml_min`.
    """
    return pl.all_horizontal(_of_medians(limit).values())


def _of_medians(limit: float) -> dict[str, pl.Expr]:
    return {
        "above": pl.col("leak_median_ml_min") > limit,
        "sure": pl.when(pl.col("leak_least_ml_min") > limit).then(pl.lit(True)),
    }


def _unresolved() -> pl.Expr:
    return pl.col("line_open") & (pl.col("line_open_grade") == Grade.UNRESOLVED).fill_null(False)


def mark_leak(grid: pl.DataFrame, rules: LeakRules) -> pl.DataFrame:
    """
    Add `assessable`, `leak_median_ml_min` (m(t)), `leak_known_minutes`, `leak_missing_minutes`,
    `leak_least_ml_min`, `leak_on` and `leak`.

    m(t) is the median of the known leaks of the assessable minutes within `half_window` on either
    side, where there are at least `least_minutes` of them; the leak is off where m(t) is not above
    `on_above`. It is on where m(t) is above it even if the leak had been nil in every minute that the log
    lacks within the window (`leak_least_ml_min`): else a hole beside a puff would make a leak of it. Between
    the two it is unknown. Minutes before the first or after the last one seen of a tube are not lacking,
    and a pause, a clamp or an open line is seen: such minutes speak neither way.

    A median over an hour lets a cough or a bump pass and keeps a plateau. It is taken at every minute, so
    that a short pause does not cut a leak in two; the flag `leak` stands only at minutes that the log has.
    Where the line was open so long that it is `unresolved` the lung's leak is unknown, whatever the minutes
    around say.

    A suspected occlusion of grade `possible` counts: a lung that seals at once looks the same, and
    its zeros must count.
    """
    half = rules.half_window
    counted = pl.when(pl.col("assessable")).then(pl.col("air_leak_ml_min"))
    median = counted.rolling_median(2 * half + 1, min_samples=rules.least_minutes, center=True)
    marked = (
        grid.with_columns(assessable=pl.all_horizontal(assessable_clauses().values()))
        .with_columns(
            leak_median_ml_min=median.over("span_no"),
            leak_known_minutes=_within(counted.is_not_null(), half),
        )
        .with_columns(leak_median_ml_min=pl.when(~_unresolved()).then("leak_median_ml_min"))
        .pipe(_mark_least, counted, half)
    )
    holds = pl.all_horizontal(leak_clauses(rules).values())
    return marked.with_columns(leak_on=leak_on_above(rules.on_above), leak=holds.fill_null(False))


def _within(condition: pl.Expr, reach: int) -> pl.Expr:
    """At how many minutes within `reach` on either side a condition holds."""
    return condition.cast(pl.Int32).rolling_sum(2 * reach + 1, min_samples=1, center=True).over("span_no")


def _mark_least(grid: pl.DataFrame, counted: pl.Expr, half: int) -> pl.DataFrame:
    """Add `leak_missing_minutes` (of the window, lacking) and `leak_least_ml_min` (m(t) with those nil)."""
    if grid["observed"].all():
        return grid.with_columns(
            leak_missing_minutes=pl.lit(0, pl.Int32), leak_least_ml_min=pl.col("leak_median_ml_min")
        )
    seen = pl.col("observed")
    missing = ~seen & latest_row(seen).is_not_null() & next_row(seen).is_not_null()
    # The median of an hour is the dearest step of a course, so it is taken again only where it can differ.
    differs = (pl.col("leak_missing_minutes") > 0) & (pl.col("leak_median_ml_min") > 0)
    marked = grid.with_columns(_missing=missing).with_columns(
        leak_missing_minutes=_within(pl.col("_missing"), half)
    )
    least = (
        marked.filter(_within(differs.fill_null(False), half) > 0)
        .select("row", filled=pl.when("_missing").then(0.0).otherwise(counted), run=_runs())
        .select(
            "row",
            leak_least_ml_min=pl.col("filled")
            .rolling_median(2 * half + 1, min_samples=1, center=True)
            .over("run"),
        )
    )
    return (
        marked.join(least, on="row", how="left", maintain_order="left")
        .with_columns(
            leak_least_ml_min=pl.when(differs).then("leak_least_ml_min").otherwise("leak_median_ml_min")
        )
        .drop("_missing")
    )


def _runs() -> pl.Expr:
    """Numbers of the unbroken runs of some rows of a grid, each within its span."""
    apart = (pl.col("row").diff() != 1) | (pl.col("span_no").diff() != 0)
    return apart.fill_null(True).cast(pl.Int32).cum_sum().set_sorted()
