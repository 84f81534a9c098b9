"""A table's contract in one place: its columns with type, unit, meaning and checks.

From one `Table` come the Pandera schema that guards a border between layers, the empty frame, the
DuckDB types and the comments of the published database, and the data dictionary.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import polars as pl
from polars.datatypes import DataType, DataTypeClass

if TYPE_CHECKING:  # a second of imports that whoever only reads a table need not wait for
    import pandera.polars as pa

PolarsType = DataType | DataTypeClass

TEXT = pl.String()
WHOLE = pl.Int64()
COUNT = pl.Int32()
REAL = pl.Float64()
FLAG = pl.Boolean()
INSTANT = pl.Datetime("us", "UTC")
WALL_CLOCK = pl.Datetime("us")
DAY = pl.Date()
TEXTS = pl.List(pl.String())
SAMPLES = pl.List(pl.Float32())

_DUCKDB_TYPES: dict[DataType, str] = {
    TEXT: "VARCHAR",
    WHOLE: "BIGINT",
    COUNT: "INTEGER",
    REAL: "DOUBLE",
    FLAG: "BOOLEAN",
    INSTANT: "TIMESTAMPTZ",
    WALL_CLOCK: "TIMESTAMP",
    DAY: "DATE",
    TEXTS: "VARCHAR[]",
    SAMPLES: "FLOAT[]",
}
_SAID: dict[DataType, str] = {
    TEXT: "text",
    WHOLE: "whole number",
    COUNT: "whole number",
    REAL: "number",
    FLAG: "true or false",
    INSTANT: "date and time (UTC)",
    WALL_CLOCK: "local date and time",
    DAY: "date",
    TEXTS: "list of texts",
    SAMPLES: "list of numbers",
}


@dataclass(frozen=True)
class Column:
    """
    One column: its name, Polars type, meaning, unit and what its values may be.

    Parameters
    ----------
    unit
        UCUM code, empty where there is none.
    words
        The only texts allowed, for columns that hold an enum.
    least, most
        Inclusive bounds of a number.
    """

    name: str
    dtype: DataType
    meaning: str
    unit: str = ""
    nullable: bool = True
    words: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None

    @property
    def comment(self) -> str:
        """The text of the column's `COMMENT`: meaning, unit in brackets, allowed words."""
        parts = [self.meaning]
        if self.unit:
            parts.append(f"[{self.unit}]")
        if self.words:
            parts.append("One of: " + ", ".join(self.words) + ".")
        return " ".join(parts)

    @property
    def duckdb_type(self) -> str:
        """The column's type in the published database."""
        return _DUCKDB_TYPES[self.dtype]

    @property
    def type_said(self) -> str:
        """The column's type in words, for dictionaries."""
        return _SAID[self.dtype]

    def fits(self) -> list[pl.Expr]:
        """Whether values keep to nulls allowed, words and bounds, an expression each; nulls pass the rest."""
        value = pl.col(self.name)
        found = [] if self.nullable else [value.null_count() == 0]
        if self.words:
            found.append(value.is_in(list(self.words)).all())
        if self.least is not None:
            found.append((value >= self.least).all())
        if self.most is not None:
            found.append((value <= self.most).all())
        return found

    def checks(self) -> list[pa.Check]:
        """Pandera checks for the words and bounds; nulls are left to `nullable`."""
        import pandera.polars as pa

        found: list[pa.Check] = []
        if self.words:
            found.append(pa.Check.isin(list(self.words)))
        if self.least is not None:
            found.append(pa.Check.ge(self.least))
        if self.most is not None:
            found.append(pa.Check.le(self.most))
        return found


@dataclass(frozen=True)
class Table:
    """
    The contract of one table or view.

    Parameters
    ----------
    name
        As in SQL.
    meaning
        What one row is; becomes the table's `COMMENT`.
    key
        Columns that name a row uniquely and fix its order.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()

    @cached_property
    def schema(self) -> pa.DataFrameSchema:
        """The Pandera schema: exact columns in order, types, nulls, checks, uniqueness of the key."""
        import pandera.polars as pa

        return pa.DataFrameSchema(
            {c.name: pa.Column(c.dtype, checks=c.checks(), nullable=c.nullable) for c in self.columns},
            strict=True,
            ordered=True,
            unique=list(self.key) or None,
            name=self.name,
            coerce=False,
        )

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]

    @property
    def dtypes(self) -> dict[str, DataType]:
        """Column name → Polars type, in order."""
        return {c.name: c.dtype for c in self.columns}

    def column(self, name: str) -> Column:
        """The column of that name."""
        return next(c for c in self.columns if c.name == name)

    def empty(self) -> pl.DataFrame:
        """A frame of this table without rows."""
        return pl.DataFrame(schema=self.dtypes)

    def conform(self, frame: pl.DataFrame) -> pl.DataFrame:
        """
        Put a frame into this table's column order and types; columns the frame lacks become null.

        Raises
        ------
        polars.exceptions.InvalidOperationError
            When a value does not fit its column's type.
        """
        return frame.select(
            (pl.col(c.name) if c.name in frame.columns else pl.lit(None)).cast(c.dtype).alias(c.name)
            for c in self.columns
        )

    def validate(self, frame: pl.DataFrame) -> pl.DataFrame:
        """
        Check a frame (not a lazy one: Pandera checks only types there) against the contract.

        One pass over all columns says whether the frame fits. Where it does not, Pandera finds every breach;
        it takes a second to import and a millisecond a column, which frames that fit need not wait for.

        Raises
        ------
        pandera.errors.SchemaErrors
            With every failing column and check.
        """
        if self.fits(frame):
            return frame
        checked: Any = self.schema.validate(frame, lazy=True)
        assert isinstance(checked, pl.DataFrame)
        return checked

    def fits(self, frame: pl.DataFrame) -> bool:
        """
        Whether a frame keeps to the contract: what Pandera would find nothing in.

        Looking for double keys costs more than everything else. Rows that plainly follow one another by
        their key cannot have any, and only others are looked through.
        """
        if list(frame.schema.items()) != list(self.dtypes.items()):
            return False
        if frame.is_empty():
            return True
        asked = [*(one for c in self.columns for one in c.fits()), *self._plainly_unique()]
        found = frame.select(one.alias(str(place)) for place, one in enumerate(asked)).row(0) if asked else ()
        kept, unique = (found[:-1], found[-1]) if self.key else (found, True)
        return all(kept) and (unique or not frame.select(self.key).is_duplicated().any())

    def _plainly_unique(self) -> list[pl.Expr]:
        """
        Whether one look at neighbours shows that no key comes twice; false says nothing. None without a key.

        The first column of the key may come in any order, as long as each of its values stands in one
        stretch; in a stretch the others must grow.
        """
        if not self.key:
            return []
        grows, same = pl.lit(False), pl.lit(True)
        for name in self.key[1:]:
            grows |= same & (pl.col(name) > pl.col(name).shift())
            same &= pl.col(name) == pl.col(name).shift()
        first = pl.col(self.key[0])
        begins = (first != first.shift()).fill_null(True)
        follows = (begins | grows).fill_null(False).all()
        return [follows & (first.filter(begins).n_unique() == begins.sum())]


def extend(columns: Sequence[Column], *more: Column) -> tuple[Column, ...]:
    """Columns followed by further ones, for tables that share a part."""
    return (*columns, *more)


def words_of(enum: type) -> tuple[str, ...]:
    """The values of a StrEnum as allowed words of a column."""
    return tuple(str(member.value) for member in enum)  # type: ignore[attr-defined]
