"""Periods: from marked minutes to stretches, each with what supports it in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import polars as pl

from schemas.lake import USE_PERIOD
from schemas.vocabulary import PeriodKind, Verdict


@dataclass(frozen=True)
class Finding:
    """
    How one kind of period is told on the grid.

    Parameters
    ----------
    minutes
        Boolean expression: the minutes it is in force.
    detail
        Text for the whole stretch, an aggregating expression over its minutes.
    grade
        Column with the grade of each minute, where the kind has grades.
    """

    minutes: pl.Expr
    detail: pl.Expr
    grade: str | None = None


def find_periods(grid: pl.DataFrame, findings: Mapping[PeriodKind, Finding]) -> pl.DataFrame:
    """
    Join the minutes of each finding into its unbroken stretches: USE_PERIOD rows in key order.

    A stretch ends where the finding does, at a cut between tubes, and where the grade changes. Where a
    clock step lies inside, its length rests on a doubtful clock and `detail` says so.
    """
    stepped = grid.lazy().with_columns(steps=pl.col("clock_step").cast(pl.Int64).cum_sum())
    stretches = pl.collect_all([_stretches(stepped, kind, finding) for kind, finding in findings.items()])
    return pl.concat(stretches).sort(USE_PERIOD.key).pipe(USE_PERIOD.conform)


def flags_of(grid: pl.DataFrame, findings: Mapping[PeriodKind, Finding]) -> pl.Series:
    """The kinds in force at each minute, in the order of `PeriodKind`."""
    return words_in_force(grid, {kind: findings[kind].minutes for kind in PeriodKind if kind in findings})


def words_in_force(grid: pl.DataFrame, minutes: Mapping[StrEnum, pl.Expr]) -> pl.Series:
    """
    The words whose boolean expression holds at each minute, in the order of `minutes`; never null.

    Few combinations ever occur, so each minute gets a number made of one bit a word, and each number
    met is spelt out once.
    """
    numbers = grid.select(
        words_no=pl.sum_horizontal(
            holds.cast(pl.Int64) * (1 << place) for place, holds in enumerate(minutes.values())
        )
    )
    met = numbers["words_no"].unique().sort()
    spelt = pl.DataFrame(
        {
            "words_no": met,
            "words": [
                [word.value for place, word in enumerate(minutes) if number >> place & 1] for number in met
            ],
        },
        schema={"words_no": pl.Int64, "words": pl.List(pl.String)},
    )
    return numbers.join(spelt, on="words_no", how="left", maintain_order="left")["words"]


def tidaling_findings() -> dict[PeriodKind, Finding]:
    """The periods of tidaling: stretches of one verdict; what cannot be assessed is no finding."""
    traced = (pl.col("tidaling_basis") == "trace").fill_null(False).sum()
    swing = pl.col("swing_cmh2o").median().round(1)
    rate = pl.col("breath_rate_per_min").median().round(1)
    basis = pl.format("{} of {} min traced or held from a trace", traced, pl.len())
    seen = pl.when(swing.is_not_null()).then(pl.format("; swing {} cm[H2O]", swing)).otherwise(pl.lit(""))
    breaths = pl.when(rate.is_not_null()).then(pl.format(", {}/min", rate)).otherwise(pl.lit(""))
    kinds = {
        PeriodKind.TIDALING_PRESENT: Verdict.PRESENT,
        PeriodKind.TIDALING_ABSENT: Verdict.ABSENT,
        PeriodKind.TIDALING_INDETERMINATE: Verdict.INDETERMINATE,
    }
    return {
        kind: Finding(
            minutes=(pl.col("tidaling") == verdict).fill_null(False),
            detail=pl.format("{}{}{}", basis, seen, breaths),
        )
        for kind, verdict in kinds.items()
    }


def _stretches(grid: pl.LazyFrame, kind: PeriodKind, finding: Finding) -> pl.LazyFrame:
    grade = pl.lit(None, pl.String) if finding.grade is None else pl.col(finding.grade)
    placed = ["row", "span_no", "use_id", "site", "device", "span", "minute", "steps"]
    shown = [name for name in finding.detail.meta.root_names() if name not in placed]
    minutes = grid.filter(finding.minutes).select(*placed, *dict.fromkeys(shown), period_grade=grade)
    begins = (
        (pl.col("row") - pl.col("row").shift(1) != 1)
        | (pl.col("span_no") != pl.col("span_no").shift(1))
        | pl.col("period_grade").ne_missing(pl.col("period_grade").shift(1))
    ).fill_null(True)
    stepped = pl.col("steps").last() > pl.col("steps").first()
    doubt = pl.when(stepped).then(pl.lit("; clock step inside, length uncertain")).otherwise(pl.lit(""))
    return (
        minutes.with_columns(period_no=begins.cast(pl.Int64).cum_sum().set_sorted())
        .group_by("period_no", maintain_order=True)
        .agg(
            pl.col("use_id", "site", "device", "span").first(),
            kind=pl.lit(kind.value).first(),
            started_at=pl.col("minute").first(),
            ended_at=pl.col("minute").last() + pl.duration(minutes=1),
            minutes=pl.len(),
            grade=pl.col("period_grade").first(),
            detail=pl.format("{}{}", finding.detail, doubt),
        )
        .drop("period_no")
    )
