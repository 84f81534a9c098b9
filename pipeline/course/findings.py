"""The kinds of periods of a use: for each, the minutes it is in force and the words that support it."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.course.against_log import against_log
from pipeline.course.annotated import noted_in
from pipeline.course.periods import Finding, tidaling_findings
from pipeline.definitions import Definitions
from schemas.vocabulary import AnnotationKind, PeriodKind


def findings_of(definitions: Definitions) -> dict[PeriodKind, Finding]:
    """
    Every kind of period with its minutes, grade and detail, as expressions over a marked grid.

    To add a flag: a module that marks its minutes, and a line here.
    """
    return {
        **{kind: _with_notes(finding) for kind, finding in tidaling_findings().items()},
        PeriodKind.TILTED: Finding(
            pl.col("tilted"),
            pl.format("tilt up to {} deg (limit {})", _most("tilt_deg"), pl.lit(definitions.tilted.limit)),
        ),
        PeriodKind.PAUSED: Finding(pl.col("paused"), pl.lit("suction paused").first()),
        PeriodKind.OCCLUSION_SUSPECTED: Finding(
            pl.col("occlusion_suspected"),
            _noted(pl.col("occlusion_suspected_detail").first(), AnnotationKind.CONFIRMED_OCCLUSION),
            "occlusion_suspected_grade",
        ),
        PeriodKind.CLAMPED: Finding(
            pl.col("clamped"),
            _noted(pl.col("clamped_detail").first(), AnnotationKind.CLAMP_TRIAL),
            "clamped_grade",
        ),
        PeriodKind.FLOW_STOPPED: Finding(pl.col("flow_stopped"), pl.col("flow_stopped_detail").first()),
        PeriodKind.LINE_OPEN: Finding(pl.col("line_open"), _line_open(), "line_open_grade"),
        PeriodKind.SUCTION_SHORTFALL: Finding(pl.col("suction_shortfall"), _shortfall()),
        PeriodKind.LEAK: Finding(pl.col("leak"), _leak()),
        PeriodKind.COUGH: Finding(pl.col("cough"), _artefact()),
        PeriodKind.MOTION: Finding(pl.col("motion"), _artefact()),
        PeriodKind.NO_DATA: Finding(pl.col("no_data"), pl.lit("no row in the log").first()),
        PeriodKind.OUTPUT_SURGE: Finding(
            pl.col("output_surge"),
            pl.format(
                "up to {} mL read to have come within {} min",
                _most("output_rise_ml"),
                pl.lit(definitions.output_surge.window),
            ),
        ),
    }


def _with_notes(finding: Finding) -> Finding:
    """What staff noted of these minutes, beside what the log shows of breathing in them."""
    ventilated, refuted = pl.col(noted_in(AnnotationKind.VENTILATED)).sum(), pl.col("refuted_noted").sum()
    notes = (
        pl.when(ventilated > 0)
        .then(pl.format("; staff noted ventilated, {} min", ventilated))
        .otherwise(pl.lit("")),
        pl.when(refuted > 0)
        .then(pl.format("; staff refuted that flow was stopped or the tube blocked, {} min", refuted))
        .otherwise(pl.lit("")),
    )
    return replace(finding, detail=pl.format("{}{}{}", finding.detail, *notes))


def _noted(detail: pl.Expr, kind: AnnotationKind) -> pl.Expr:
    """The detail, and in how many of the minutes the log contradicts the note that it rests on."""
    against = pl.col(against_log(kind)).sum()
    said = pl.format("; the log shows flow in {} of {} min", against, pl.len())
    return pl.format("{}{}", detail, pl.when(against > 0).then(said).otherwise(pl.lit("")))


def _most(column: str) -> pl.Expr:
    return pl.col(column).max().round(1)


def _line_open() -> pl.Expr:
    rings = pl.col("alerts").list.contains("line_leak").fill_null(False).sum()
    return pl.format(
        "flow up to {}, suction {} of {} ordered at the median; alert line_leak in {} min",
        _figure(_most("air_leak_ml_min"), "mL/min"),
        _figure(pl.col("pressure_mean_cmh2o").median().round(1), "cm[H2O]"),
        _figure(pl.col("set_pressure_cmh2o").median().round(1), "cm[H2O]"),
        rings,
    )


def _shortfall() -> pl.Expr:
    short_by = pl.col("pressure_mean_cmh2o") - pl.col("set_pressure_cmh2o")
    return pl.format(
        "short by {} cm[H2O] at the median, at most {}, where {} was ordered",
        short_by.median().round(1),
        short_by.max().round(1),
        pl.col("set_pressure_cmh2o").median().round(1),
    )


def _leak() -> pl.Expr:
    return pl.format(
        "median leak over an hour up to {} mL/min; {} of {} min assessable",
        _most("leak_median_ml_min"),
        pl.col("assessable").sum(),
        pl.len(),
    )


def _artefact() -> pl.Expr:
    share = (pl.col("artefact_fraction").max() * 100).round(0).cast(pl.Int64)
    return pl.format("up to {} % of a trace", share)


def _figure(value: pl.Expr, unit: str) -> pl.Expr:
    text = pl.format("{} {}", value, pl.lit(unit))
    return pl.when(value.is_not_null()).then(text).otherwise(pl.lit("unknown"))
