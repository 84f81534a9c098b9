"""One measured figure of the evaluation, and how a flag's precision and recall are counted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

DAY = 1440  # minutes


@dataclass(frozen=True)
class Figure:
    """
    One measured figure: `value` (None: nothing to measure), what it stands on, and its target.

    `of`: the denominator or count in words.
    """

    what: str
    value: float | None
    of: str
    at_least: float | None = None
    at_most: float | None = None

    @property
    def reached(self) -> bool | None:
        """Whether the target was reached; None without a target or a value."""
        if self.value is None or (self.at_least is None and self.at_most is None):
            return None
        return (self.at_least is None or self.value >= self.at_least) and (
            self.at_most is None or self.value <= self.at_most
        )


def precision_and_recall(
    minutes: pl.DataFrame, told: pl.Expr, true: pl.Expr, name: str, target: float | None = 0.95
) -> Iterator[Figure]:
    """Precision and recall of one flag by minutes."""
    both, said, was = minutes.select(
        both=(told & true).sum(), said=told.fill_null(False).sum(), was=true.fill_null(False).sum()
    ).row(0)
    yield Figure(f"{name}: precision", both / said if said else None, f"{said} min told", target)
    yield Figure(f"{name}: recall", both / was if was else None, f"{was} min true", target)
