"""Rows of an answer as plain values: for whoever shows them, and computes nothing with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import duckdb

if TYPE_CHECKING:  # frames take longer to import than most queries take
    import polars as pl

_NUMBERS: dict[str, type] = {
    **dict.fromkeys(("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "HUGEINT"), int),
    **dict.fromkeys(("FLOAT", "DOUBLE"), float),
    "DECIMAL": Decimal,
}
_IN_UTC = "TIMESTAMP WITH TIME ZONE"
# Types whose values the engine hands over just as a frame does.
_PLAIN: dict[str, type] = {
    **_NUMBERS,
    "BOOLEAN": bool,
    "VARCHAR": str,
    "VARCHAR[]": list,
    "DATE": date,
    "TIMESTAMP": datetime,
    _IN_UTC: datetime,
}
# The ends of the calendar stand for what lies beyond them as well; a greater whole number is none to a frame.
_NOT_WITHIN = {date.min, date.max}
_MOST_DIGITS = 10**38


@dataclass(frozen=True)
class Rows:
    """
    Rows of an answer.

    Parameters
    ----------
    columns
        Names of the columns.
    numbers
        Whether each column holds numbers.
    in_utc
        Whether a column holds instants, which are in UTC.
    rows
        A tuple a row.
    """

    columns: Sequence[str]
    numbers: Sequence[bool]
    in_utc: bool
    rows: Sequence[tuple[Any, ...]]

    @classmethod
    def of(cls, frame: pl.DataFrame) -> Rows:
        """The rows of a frame."""
        return cls(
            frame.columns,
            [dtype.is_numeric() for dtype in frame.dtypes],
            any(getattr(dtype, "time_zone", None) for dtype in frame.dtypes),
            frame.rows(),
        )

    def first(self, most: int) -> Rows:
        """The first so many."""
        return replace(self, rows=self.rows[:most])

    def dicts(self) -> list[dict[str, Any]]:
        """Each row by the names of its columns."""
        return [dict(zip(self.columns, row, strict=True)) for row in self.rows]


def plain_rows(relation: duckdb.DuckDBPyRelation) -> Rows | None:
    """The rows of a relation; null where a frame may hold a column, a name or a value in another way."""
    types = [str(dtype) for dtype in relation.types]
    kinds = [dtype.partition("(")[0] for dtype in types]
    if len(set(relation.columns)) < len(kinds) or not all(kind in _PLAIN for kind in kinds):
        return None
    wanted = [_PLAIN[kind] for kind in kinds]
    rows = relation.fetchall()
    if not all(_as_in_a_frame(value, kind) for row in rows for value, kind in zip(row, wanted, strict=True)):
        return None
    return Rows(relation.columns, [kind in _NUMBERS for kind in kinds], _IN_UTC in types, rows)


def _as_in_a_frame(value: Any, kind: type) -> bool:
    if value is None:
        return True
    if type(value) is not kind:  # not isinstance: an instant is a date, true is a whole number
        return False
    if isinstance(value, int):
        return abs(value) < _MOST_DIGITS
    return not isinstance(value, date) or date(value.year, value.month, value.day) not in _NOT_WITHIN


def nulls_first(*values: Any) -> tuple[tuple[Any, ...], ...]:
    """
    A key to sort rows by: a null stands before every value.

    Examples
    --------
    >>> sorted(["b", None, "a"], key=nulls_first)
    [None, 'a', 'b']
    """
    return tuple(() if value is None else (value,) for value in values)
