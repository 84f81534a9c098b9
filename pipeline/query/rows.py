"""Rows of an answer as plain values: for whoever shows them, and computes nothing with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import duckdb

from schemas.errors import CallError

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
# The first day of the calendar, and the one after its last, from 1970.
_DAYS_FROM_1970 = tuple(
    day - date(1970, 1, 1).toordinal() for day in (date.min.toordinal(), date.max.toordinal() + 1)
)
_A_DAY = {unit: 86_400 * each for unit, each in (("ms", 10**3), ("us", 10**6))}


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
        """
        The rows of a frame.

        Raises
        ------
        CallError
            When a date in it lies beyond the years 1 to 9999.
        """
        within_calendar(frame)
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


def within_calendar(frame: pl.DataFrame) -> None:
    """
    Refuse dates that are kept but cannot be shown: infinite ones, and those beyond the years 1 to 9999.

    Raises
    ------
    CallError
        With the column's name and what to do.

    Examples
    --------
    >>> import polars as pl
    >>> within_calendar(pl.DataFrame({"seen": [-1]}, schema={"seen": pl.Date}))
    >>> within_calendar(pl.DataFrame({"seen": [3_000_000]}, schema={"seen": pl.Date}))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    schemas.errors.CallError: sql: column "seen" holds a date beyond the years 1 to 9999, ...
    """
    import polars as pl

    for name, dtype in frame.schema.items():
        if not isinstance(dtype, (pl.Date, pl.Datetime)) or getattr(dtype, "time_unit", "") == "ns":
            continue  # counted in nanoseconds there is nothing that far
        a_day = 1 if isinstance(dtype, pl.Date) else _A_DAY[dtype.time_unit]
        least, most = (_DAYS_FROM_1970[at] * a_day for at in (0, 1))
        if not frame[name].to_physical().is_between(least, most, closed="left").all():
            raise CallError(
                f'sql: column "{name}" holds a date beyond the years 1 to 9999, which cannot be shown; '
                f'leave such rows out, or CAST("{name}" AS VARCHAR).'
            )


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
