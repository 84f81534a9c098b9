"""
Counting: what the detector said against what was so, with the uncertainty of the count.

Sensitivity is the share called `present` of all traces in which breath reaches the device, undecided ones
counted as missed. Specificity is the share not called `present` of all traces in which none does. Undecided is
`indeterminate` or `not_assessable`. Bounds of shares are exact (Clopper–Pearson, 95 %); of means and medians the
2.5 % and 97.5 % points of 1000 bootstrap samples, always the same ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import binomtest

UNDECIDED = ("indeterminate", "not_assessable")


@dataclass(frozen=True)
class Figure:
    """A figure with its bounds and the target it is held against."""

    of: str  # class of traces
    what: str
    n: int
    value: float
    low: float
    high: float
    unit: str = "%"
    at_least: float | None = None
    at_most: float | None = None

    @property
    def reached(self) -> str:
        """`yes`; `yes, beyond doubt` where the bound reaches the target too; `no`; nothing without a target."""
        if self.at_least is None and self.at_most is None:
            return ""
        low, high = -np.inf if self.at_least is None else self.at_least, self.at_most
        high = np.inf if high is None else high
        if not low <= self.value <= high:
            return "no"
        return "yes, beyond doubt" if low <= self.low and self.high <= high else "yes"

    @property
    def target(self) -> str:
        """As one reads it."""
        if self.at_least is not None and self.at_most is not None:
            return f"{self.at_least:g} to {self.at_most:g}"
        if self.at_least is not None:
            return f"≥ {self.at_least:g}"
        return "" if self.at_most is None else f"≤ {self.at_most:g}"


def share(of: str, what: str, hits: pl.Series, **target: float) -> Figure:
    """A share in per cent with its exact bounds; `hits` are true where it happened."""
    n, k = len(hits), int(hits.sum())
    ci = binomtest(k, n).proportion_ci(0.95, method="exact") if n else None
    low, high = (ci.low, ci.high) if ci else (0.0, 1.0)
    return Figure(of, what, n, 100 * k / n if n else float("nan"), 100 * low, 100 * high, **target)


def centre(of: str, what: str, values: pl.Series, unit: str, how: str = "mean", **target: float) -> Figure:
    """The mean or median of measured values with bootstrap bounds."""
    x = values.drop_nulls().to_numpy()
    if not len(x):
        return Figure(of, what, 0, float("nan"), float("nan"), float("nan"), unit, **target)
    point = np.mean if how == "mean" else np.median
    rng = np.random.default_rng(0)
    again = [point(x[rng.integers(len(x), size=len(x))]) for _ in range(1000)]
    low, high = np.quantile(again, [0.025, 0.975])
    return Figure(of, what, len(x), float(point(x)), float(low), float(high), unit, **target)


def judged(frame: pl.DataFrame) -> pl.DataFrame:
    """
    Truth and verdicts side by side, with what is right and how far off.

    Parameters
    ----------
    frame
        `breathing`, `swing`, `swing_here`, `rate` (the truth) and the columns of `assess`.

    Returns
    -------
    The frame with `present`, `absent`, `undecided`, `rate_error` (per minute, of traces called present whose
    rate is known), `swing_error` (share of the trace's own typical swing, likewise), `covers` (the bounds
    hold the patient's typical swing; one without an upper bound is held against the lower alone) and `covers_here` (the one of this trace's breaths).
    """
    present = pl.col("verdict") == "present"
    known = present & pl.col("breathing")
    between = [
        pl.when(known & pl.col(truth).is_not_null())
        .then(
            (pl.col("swing_low_cmh2o") <= pl.col(truth))
            & (pl.col(truth) <= pl.col("swing_high_cmh2o").fill_null(float("inf")))
        )
        .alias(name)
        for truth, name in (("swing", "covers"), ("swing_here", "covers_here"))
    ]
    typed = frame.with_columns(pl.col("swing", "swing_here", "rate").cast(pl.Float64))
    return typed.with_columns(
        present.alias("present"),
        (pl.col("verdict") == "absent").alias("absent"),
        pl.col("verdict").is_in(UNDECIDED).alias("undecided"),
        pl.when(known).then(pl.col("breath_rate_per_min") - pl.col("rate")).alias("rate_error"),
        pl.when(known).then(pl.col("swing_cmh2o") / pl.col("swing_here") - 1).alias("swing_error"),
        *between,
    )


def tally(frame: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """One row for each value of `by`: how many traces, shares of verdicts (%), errors, coverage (%)."""
    per_cent = [
        (100 * pl.col(name).mean()).round(2).alias(f"{name}_pct")
        for name in ("present", "absent", "undecided", "covers", "covers_here")
    ]
    return (
        frame.group_by(by, maintain_order=True)
        .agg(
            pl.len().alias("traces"),
            *per_cent,
            pl.col("rate_error").abs().mean().round(3).alias("rate_error_per_min"),
            (100 * (pl.col("rate_error").abs() > 2).mean()).round(2).alias("rate_off_by_2_pct"),
            (100 * pl.col("swing_error").median()).round(2).alias("swing_error_pct"),
            (100 * pl.col("swing_error").abs().median()).round(2).alias("swing_off_pct"),
        )
        .sort(by, nulls_last=True)
    )
