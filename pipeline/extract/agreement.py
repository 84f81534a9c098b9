"""What two readers' sheets say: how far they agree, and how the pipeline does beside their consensus."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import polars as pl
from scipy.stats import norm

from pipeline.cohort.intervals import exact, wilson
from pipeline.extract.strip_frame import CANNOT_TELL, QUESTIONS, YES
from schemas.vocabulary import Verdict

# Finding → the question it is read from and the answer that is a yes.
FINDINGS: dict[str, tuple[str, str]] = {
    "tidaling present": ("tidaling", Verdict.PRESENT.value),
    "tidaling absent": ("tidaling", Verdict.ABSENT.value),
    **{name: (name, YES) for name in QUESTIONS if name != "tidaling"},
}


_NO_WIDTH = 1e-12  # of a variance that is nought but for rounding


@dataclass(frozen=True)
class Kappa:
    """Cohen's kappa with its interval; NaN where it is not defined."""

    number: int
    agreed: int
    kappa: float
    low: float
    high: float


def cohen_kappa(one: Sequence[str], other: Sequence[str], level: float) -> Kappa:
    """
    Agreement of two readers beyond what chance would give (Cohen 1960).

    The interval is the large-sample one of Fleiss, Cohen and Everitt (1969, Psychol Bull 72:323), cut to
    -1 and 1: for a few dozen strips a rough one. Where it has no width (the readers always agree, or one of
    them has one answer for everything) there is none: it would claim to know kappa for certain. Kappa is not
    defined where both gave every strip the same single answer: chance alone would then agree always.

    Examples
    --------
    >>> both = cohen_kappa(["y"] * 25 + ["n"] * 25, ["y"] * 20 + ["n"] * 5 + ["y"] * 10 + ["n"] * 15, 0.95)
    >>> round(both.kappa, 3), both.agreed
    (0.4, 35)
    """
    words = sorted({*one, *other})
    place = {word: i for i, word in enumerate(words)}
    table = np.zeros((len(words), len(words)))
    for a, b in zip(one, other, strict=True):
        table[place[a], place[b]] += 1
    number = int(table.sum())
    agreed = int(np.trace(table))
    if number == 0:
        return Kappa(0, 0, nan, nan, nan)
    p = table / number
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float(np.trace(p)), float(rows @ columns)
    if expected >= 1:
        return Kappa(number, agreed, nan, nan, nan)
    kappa = (observed - expected) / (1 - expected)
    diagonal = float(np.diag(p) @ (1 - (rows + columns) * (1 - kappa)) ** 2)
    across = (columns[:, None] + rows[None, :]) ** 2 * p
    beside = (1 - kappa) ** 2 * float(across.sum() - np.trace(across))
    variance = (diagonal + beside - (kappa - expected * (1 - kappa)) ** 2) / (number * (1 - expected) ** 2)
    if variance < _NO_WIDTH:
        return Kappa(number, agreed, kappa, nan, nan)
    half = float(norm.ppf((1 + level) / 2)) * sqrt(variance)
    return Kappa(number, agreed, kappa, max(kappa - half, -1.0), min(kappa + half, 1.0))


def agreement(beside: pl.DataFrame, level: float) -> pl.DataFrame:
    """
    How far two readers agree, one row a question; strips that one of them left empty do not count.

    Parameters
    ----------
    beside
        From `side_by_side`.
    """
    rows = []
    for question in QUESTIONS:
        asked = beside.filter(pl.col("question") == question)
        both = asked.filter(pl.col("reader_1").is_not_null() & pl.col("reader_2").is_not_null())
        found = cohen_kappa(both["reader_1"].to_list(), both["reader_2"].to_list(), level)
        rows.append(
            (
                question,
                asked.height,
                found.number,
                found.agreed,
                *(_known(value) for value in (found.kappa, found.low, found.high)),
            )
        )
    names = ["question", "strips", "both_answered", "agreed", "kappa", "kappa_low", "kappa_high"]
    return pl.DataFrame(rows, schema=names, orient="row", infer_schema_length=None).cast(
        {"kappa": pl.Float64, "kappa_low": pl.Float64, "kappa_high": pl.Float64}
    )


def accuracy(beside: pl.DataFrame, level: float) -> pl.DataFrame:
    """
    How the pipeline does beside what both readers say, one row a finding and measure.

    The reference is the readers' consensus: strips on which both gave the same answer, other than
    `cannot_tell`. `sensitivity` is the share of strips with the finding in which the pipeline has it,
    `specificity` that of strips without it in which the pipeline says so; both among strips of which the
    pipeline could tell, with Wilson and exact (Clopper-Pearson) intervals. `untold` are those of which it
    could not; `if_untold_wrong` and `if_untold_right` are the bounds that leaves.

    The sample holds more of what is rare than the ledger does. These shares are those of the sample;
    `weighted` weighs each strip by the windows it stands for, with Wilson's interval at Kish's effective
    number (1965: the square of the sum of the weights over the sum of their squares): an approximation, which
    takes no account of drains that gave several strips.
    """
    rows = []
    for finding, (question, positive) in FINDINGS.items():
        agreed = beside.filter(
            (pl.col("question") == question)
            & (pl.col("reader_1") == pl.col("reader_2"))
            & (pl.col("reader_1") != CANNOT_TELL)
        )
        for measure, has in (("sensitivity", True), ("specificity", False)):
            reference = agreed.filter((pl.col("reader_1") == positive) == has)
            told = reference.filter(pl.col("pipeline") != CANNOT_TELL)
            right = told.filter((pl.col("pipeline") == positive) == has)
            rows.append(_measure(finding, measure, reference, told, right, level))
    return pl.DataFrame(rows, infer_schema_length=None, schema_overrides=dict.fromkeys(_REALS, pl.Float64))


_REALS = (
    "estimate",
    "wilson_low",
    "wilson_high",
    "exact_low",
    "exact_high",
    "if_untold_wrong",
    "if_untold_right",
    "weighted",
    "weighted_low",
    "weighted_high",
)


def _measure(
    finding: str, measure: str, reference: pl.DataFrame, told: pl.DataFrame, right: pl.DataFrame, level: float
) -> dict[str, object]:
    k, n, strips = right.height, told.height, reference.height
    untold = strips - n
    weights = told["weight"].to_numpy()
    share = float(right["weight"].sum() / weights.sum()) if n else nan
    effective = float(weights.sum() ** 2 / (weights**2).sum()) if n else 0.0
    low, high = wilson([k], [n], level)
    least, most = exact([k], [n], level)
    heavy_low, heavy_high = wilson([share * effective if n else 0.0], [effective], level)
    values = (
        k / n if n else nan,
        low[0],
        high[0],
        least[0],
        most[0],
        k / strips if strips else nan,
        (k + untold) / strips if strips else nan,
        share,
        heavy_low[0],
        heavy_high[0],
    )
    counts: dict[str, object] = {
        "finding": finding,
        "measure": measure,
        "consensus": strips,
        "untold": untold,
        "told": n,
        "right": k,
    }
    return counts | {name: _known(float(value)) for name, value in zip(_REALS, values, strict=True)}


def disagreements(beside: pl.DataFrame) -> pl.DataFrame:
    """Strips on which the readers, or their consensus and the pipeline, do not say the same."""
    answered = pl.col("reader_1").is_not_null() & pl.col("reader_2").is_not_null()
    readers = pl.col("reader_1") != pl.col("reader_2")
    pipeline = pl.col("reader_1") != pl.col("pipeline")
    return (
        beside.filter(answered & (readers | pipeline))
        .with_columns(
            between=pl.when(readers).then(pl.lit("readers")).otherwise(pl.lit("consensus, pipeline"))
        )
        .select("strip", "question", "between", "reader_1", "reader_2", "pipeline")
        .sort("between", "question", "strip")
    )


def _known(value: float) -> float | None:
    return None if np.isnan(value) else value
