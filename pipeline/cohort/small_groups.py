"""Small counts of groups are not told, nor what would let them be reckoned back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.cohort.strata import EVERYBODY
from schemas.views import LEAK_BY_STRATUM

Row = Mapping[str, Any]


@dataclass(frozen=True)
class _Block:
    """Columns that stand or fall together, and the counts behind them: what a reader could reckon."""

    columns: tuple[str, ...]
    total: str
    parts: tuple[str, ...]

    def cells(self, rows: Sequence[Row]) -> list[int]:
        """The block's counts over some groups together: all, each part, and the rest."""
        total = sum(int(row[self.total] or 0) for row in rows)
        parts = [sum(int(row[part] or 0) for row in rows) for part in self.parts]
        return [total, *parts, total - sum(parts)]


_NAMES = LEAK_BY_STRATUM.names
_LAST_OF_RATES = _NAMES.index("watched")
_COUNTED = _Block(("counted",), "counted", ())
_RATES = _Block(
    tuple(_NAMES[_NAMES.index("counted") + 1 : _LAST_OF_RATES]), "counted", ("prolonged", "unknown")
)
_FOLLOWED = _Block(("watched", "ended", "died_or_transferred"), "watched", ("ended", "died_or_transferred"))
_DURATIONS = tuple(_NAMES[_NAMES.index("median_hours") :])


def suppressed_groups(strata: pl.DataFrame, least: int) -> pl.DataFrame:
    """
    Hide small counts of LEAK_BY_STRATUM before it leaves the house.

    A count from 1 to below `least` is small: of those counted, prolonged, not prolonged, unknown, watched,
    ended, died or transferred, censored. A group with a small one loses what rests on it: all of its figures
    where few are counted, its rates with their counts (a rate or an interval tells its numerator as well as
    the numerator does), the counts of the curve with median and mean: of few, the times at which these stand
    are single leaks'. Everybody's median and mean go where few were watched, or few leaks of theirs ended.

    Everybody less the groups shown is what the hidden ones hold together, here or in another table of the
    same drains, so the smallest further groups are hidden until two or more are and no count of theirs
    together is small. Everybody is hidden only where its own counts are small.

    Parameters
    ----------
    strata
        LEAK_BY_STRATUM: everybody, and the groups of one column.
    least
        Counts from this on may be told; 1 hides nothing.

    Returns
    -------
    The same rows with nulls.
    """
    groups = strata.with_row_index("row").rows(named=True)
    whole = [row for row in groups if row["grouped_by"] == EVERYBODY]
    parts = [row for row in groups if row["grouped_by"] != EVERYBODY]
    found = strata.with_row_index("row")
    few = _hidden(parts, (_COUNTED,), least)
    without: dict[tuple[str, ...], set[int]] = {}
    for block in (_COUNTED, _RATES, _FOLLOWED):
        rows = few if block is _COUNTED else _hidden(parts, (block,), least, few)
        every = {row["row"] for row in whole if _small(_COUNTED, [row], least) or _small(block, [row], least)}
        without[block.columns] = rows | every
        if block is _FOLLOWED:
            without[_DURATIONS] = rows | {row["row"] for row in whole if _few_leaks(row, least)}
    for columns, rows in without.items():
        told = ~pl.col("row").is_in(sorted(rows))
        found = found.with_columns(pl.when(told).then(pl.col(name)).alias(name) for name in columns)
    return found.drop("row")


def _few_leaks(row: Row, least: int) -> bool:
    return _small(_COUNTED, [row], least) or any(0 < int(row[n] or 0) < least for n in ("watched", "ended"))


def _small(block: _Block, rows: Sequence[Row], least: int) -> bool:
    return any(0 < cell < least for cell in block.cells(rows))


def _hidden(
    parts: Sequence[Row],
    blocks: Sequence[_Block],
    least: int,
    already: frozenset[int] | set[int] = frozenset(),
) -> set[int]:
    """Rows to hide: those with a small count, and as many more as keep these from being reckoned back."""

    def small(rows: Sequence[Row]) -> bool:
        return any(_small(block, rows, least) for block in blocks)

    hidden = [row for row in parts if row["row"] in already or small([row])]
    rest = sorted((row for row in parts if row not in hidden), key=lambda row: (row["counted"], row["row"]))
    while hidden and rest and (len(hidden) < 2 or small(hidden)):
        hidden.append(rest.pop(0))
    return {row["row"] for row in hidden}
