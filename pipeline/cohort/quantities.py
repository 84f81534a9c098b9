"""Exact quantities: whole steps of a resolution while they are summed, units again when they are shown."""

from __future__ import annotations

import polars as pl

_UNIT = 1_000_000  # millionths are shown: finer than any resolution here


def steps_per_unit(resolution: float) -> int:
    """
    How many steps of a resolution make one unit.

    Examples
    --------
    >>> steps_per_unit(0.1)
    10
    """
    return round(1 / resolution)


def in_steps(column: str, per_unit: int) -> pl.Expr:
    """A column of reals as whole steps, so that its sum does not depend on the order of its rows."""
    return (pl.col(column) * per_unit).round().cast(pl.Int64)


def in_units(steps: pl.Expr, per_unit: int | pl.Expr) -> pl.Expr:
    """
    Whole steps as a real in units again; their mean where `per_unit` counts the steps' number in as well.

    Rounded half up in whole numbers, so that the result is the real nearest to a decimal number, alone and
    in a batch of any length.

    Examples
    --------
    >>> pl.select(in_units(pl.lit(6999), 10)).item()
    699.9
    >>> pl.select(in_units(pl.lit(200), 10 * pl.lit(3))).item()
    6.666667
    """
    return _millionths(steps.cast(pl.Int64) * _UNIT, per_unit)


def hours(length: pl.Expr) -> pl.Expr:
    """
    A duration in hours; a whole number of hours comes out whole.

    Examples
    --------
    >>> from datetime import timedelta
    >>> pl.select(hours(pl.lit(timedelta(hours=120)))).item()
    120.0
    """
    return _millionths(length.dt.total_microseconds(), 3_600)


def _millionths(numerator: pl.Expr, denominator: int | pl.Expr) -> pl.Expr:
    """The ratio of two whole numbers, taken as millionths and rounded half up."""
    of = denominator.cast(pl.Int64) if isinstance(denominator, pl.Expr) else denominator
    rounded: pl.Expr = (2 * numerator + of) // (2 * of)
    # Divided by a column: by a constant, Polars multiplies a longer column with its reciprocal, and the
    # last bit would depend on how many rows there are.
    return rounded / (rounded * 0 + _UNIT)
