"""One measured figure of the evaluation, and how a flag's precision and recall are counted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import polars as pl

DAY = 1440  # minutes


@dataclass(frozen=True)
class Figure:
    """
    One measured figure: `value` (None: nothing to measure), what it stands on, and its target.

    `of`: the denominator or count in words. `why`: what explains the figure, beside it wherever it is shown. A
    target missed for such a reason is out of the definition's reach: shown as missed, and no failure of the run.
    """

    what: str
    value: float | None
    of: str
    at_least: float | None = None
    at_most: float | None = None
    why: str = ""

    @property
    def reached(self) -> bool | None:
        """Whether the target was reached; None without a target or a value."""
        if self.value is None or (self.at_least is None and self.at_most is None):
            return None
        return (self.at_least is None or self.value >= self.at_least) and (
            self.at_most is None or self.value <= self.at_most
        )

    @property
    def failed(self) -> bool:
        """Whether it misses a target that the definition can reach."""
        return self.reached is False and not self.why


def misses(found: Mapping[str, list[Figure]]) -> list[dict[str, Figure]]:
    """Each figure that misses its target anywhere, by the names of the splits that do: everything, or a subset."""
    by_figure = [
        {split: figures[place] for split, figures in found.items() if figures[place].reached is False}
        for place in range(len(next(iter(found.values()))))
    ]
    return [missed for missed in by_figure if missed]


def precision_and_recall(
    minutes: pl.DataFrame, told: pl.Expr, true: pl.Expr, name: str, target: float | None = 0.95
) -> Iterator[Figure]:
    """Precision and recall of one flag by minutes."""
    both, said, was = minutes.select(
        both=(told & true).sum(), said=told.fill_null(False).sum(), was=true.fill_null(False).sum()
    ).row(0)
    yield Figure(f"{name}: precision", both / said if said else None, f"{said} min told", target)
    yield Figure(f"{name}: recall", both / was if was else None, f"{was} min true", target)


def runs(minutes: pl.DataFrame, apart: int) -> pl.dataframe.group_by.GroupBy:
    """Minutes of stays, sorted, as runs: a new one where the next is more than so many minutes later."""
    new = (pl.col("stay") != pl.col("stay").shift(1)) | (
        pl.col("true_minute") - pl.col("true_minute").shift(1) > pl.duration(minutes=apart)
    )
    return minutes.with_columns(run=new.fill_null(True).cast(pl.Int64).cum_sum()).group_by(
        "run", maintain_order=True
    )
