"""Exact quantities: whole steps of a resolution while they are summed, units again when they are shown."""

from __future__ import annotations

import polars as pl

_SHOWN = 6  # decimals: finer than any resolution here; takes off the last bit that a division leaves


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


def in_units(steps: pl.Expr, per_unit: int) -> pl.Expr:
    """
    Whole steps (or their mean) as a real in units again.

    Examples
    --------
    >>> pl.select(in_units(pl.lit(6999), 10)).item()
    699.9
    """
    return (steps / per_unit).round(_SHOWN)


def hours(length: pl.Expr) -> pl.Expr:
    """
    A duration in hours; a whole number of hours comes out whole.

    Examples
    --------
    >>> from datetime import timedelta
    >>> pl.select(hours(pl.lit(timedelta(hours=120)))).item()
    120.0
    """
    return (length.dt.total_microseconds() / 3_600_000_000).round(_SHOWN)
