"""Cells of a registry file: from text to instants, numbers, words and lists, with what is wrong recorded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import polars as pl

from pipeline.ingest.rules import Rule
from schemas.table import INSTANT, REAL, TEXT, TEXTS, Table
from schemas.vocabulary import RejectScope

_INSTANT_TEXT = r"^(\d{4}-\d{2}-\d{2})[Tt ](\d{2}:\d{2})(:\d{2})?(\.\d{1,6})?([Zz]|[+-]\d{2}:\d{2})$"
# Control signs but the tab, signs of direction, line ends of Unicode, signs that are none.
_UNFIT = r"[\p{Cc}\p{Cn}\p{Co}\u{200E}\u{200F}\u{2028}-\u{202E}\u{2066}-\u{2069}\u{FEFF}&&[^\t]]"
_NUMBER_TEXT = r"^[+-]?\d{1,12}(\.\d{1,12})?$"


class RegistryRule(StrEnum):
    """Rules of registry files beyond those any file can break (`pipeline.ingest.rules.Rule`)."""

    TEXT_UNFIT = "text_unfit"  # a control sign, a sign of direction or of nothing in it, or too long
    COLUMN_UNKNOWN = "column_unknown"  # file, kept: a column of its header that the layout does not have
    KEY_TWICE = "key_twice"  # row: a later row of the same file has the same key


@dataclass(frozen=True)
class Cell:
    """
    How one column of the file is read; its type and bounds come from the table's contract.

    Parameters
    ----------
    into
        Name in the table, where it differs.
    pattern, each
        Regular expression of the whole text, or of each `;`-separated part of a list.
    longest, lines
        Signs a free text may have; whether it may have several lines.
    """

    name: str
    needed: bool = False
    into: str = ""
    pattern: str = ""
    each: str = ""
    words: tuple[str, ...] = ()
    longest: int = 200
    lines: bool = False

    @property
    def free(self) -> bool:
        """Whether the column takes any words."""
        return not (self.pattern or self.each or self.words)

    @property
    def target(self) -> str:
        """The column's name in the table."""
        return self.into or self.name


def typed(texts: pl.DataFrame, cells: Sequence[Cell], table: Table) -> tuple[pl.DataFrame, pl.DataFrame]:
    """
    Turn text cells into the table's types.

    Parameters
    ----------
    texts
        `line` and one text column a cell; null or blank is an empty cell.

    Returns
    -------
    The rows that stand (`line` and the table's columns), and one row for everything that was wrong:
    `line`, `scope`, `column`, `rule`, `value`. A bad cell that is needed costs its row.
    """
    clean = texts.with_columns(
        pl.col(cell.name).str.strip_chars().replace("", None).alias(cell.name) for cell in cells
    )
    values = clean.select("line", *(_value(cell, table).alias(cell.target) for cell in cells))
    both = clean.lazy().select("line", *(pl.col(cell.name).alias(f"text of {cell.name}") for cell in cells))
    both = pl.concat([both, values.lazy().drop("line")], how="horizontal")
    problems = []
    for cell in cells:
        rule = _rule(cell, table)
        value = pl.col(f"text of {cell.name}")
        problems.append(
            both.filter(pl.col(cell.target).is_null() & (value.is_not_null() | cell.needed)).select(
                "line",
                scope=pl.lit(RejectScope.ROW.value if cell.needed else RejectScope.CELL.value),
                column=pl.lit(cell.target),
                rule=pl.when(value.is_null()).then(pl.lit(Rule.VALUE_MISSING.value)).otherwise(rule),
                value=value,
            )
        )
    found = pl.concat(problems).collect()
    lost = found.filter(pl.col("scope") == RejectScope.ROW.value)["line"]
    # A cell of a row that is lost anyway is not counted as a cell of a kept row.
    found = found.filter((pl.col("scope") == RejectScope.ROW.value) | ~pl.col("line").is_in(lost.implode()))
    return values.filter(~pl.col("line").is_in(lost.implode())), found


def shape_of(value: pl.Expr) -> pl.Expr:
    """
    The shape of a value, which may be shown where the value may not: 9 for a digit, a for a letter.

    Examples
    --------
    >>> pl.select(shape_of(pl.lit("Bed 12/b"))).item()
    'aaa 99/a'
    """
    return value.str.slice(0, 60).str.replace_all(r"\p{Nd}", "9").str.replace_all(r"\p{L}", "a")


def _value(cell: Cell, table: Table) -> pl.Expr:
    text = pl.col(cell.name)
    dtype = table.column(cell.target).dtype
    if dtype == INSTANT:
        return instant_of(text)
    if dtype == REAL:
        number = _number(text)
        column = table.column(cell.target)
        return pl.when(number.is_between(column.least, column.most)).then(number)
    if dtype == TEXTS:
        parts = text.str.replace_all(r"\s*;\s*", ";").str.strip_chars(";").str.split(";")
        good = parts.list.eval(pl.element().str.contains(cell.each)).list.all()
        return pl.when(text.is_not_null() & good).then(parts.list.unique(maintain_order=True))
    if cell.words:
        return pl.when(text.str.to_lowercase().is_in(list(cell.words))).then(text.str.to_lowercase())
    if cell.pattern:
        return pl.when(text.str.contains(cell.pattern)).then(text)
    # Charts and pages cannot be written with such signs in a word, and a terminal obeys them.
    checked = text.str.replace_all(r"[\r\n]", " ") if cell.lines else text
    return pl.when(~checked.str.contains(_UNFIT) & (text.str.len_chars() <= cell.longest)).then(text)


def _rule(cell: Cell, table: Table) -> pl.Expr:
    unreadable = pl.lit(Rule.VALUE_UNREADABLE.value)
    if table.column(cell.target).dtype == REAL:
        beyond = _number(pl.col(f"text of {cell.name}")).is_not_null()
        return pl.when(beyond).then(pl.lit(Rule.VALUE_OUT_OF_RANGE.value)).otherwise(unreadable)
    if cell.free and table.column(cell.target).dtype == TEXT:
        return pl.lit(RegistryRule.TEXT_UNFIT.value)
    return unreadable


def instant_of(text: pl.Expr) -> pl.Expr:
    """
    An RFC 3339 date and time with offset as an instant in UTC; seconds may be left out.

    Examples
    --------
    >>> pl.select(instant_of(pl.lit("2031-03-10T14:00+01:00"))).item().isoformat()
    '2031-03-10T13:00:00+00:00'
    """
    part = text.str.extract_groups(_INSTANT_TEXT)
    offset = part.struct.field("5").str.replace(r"^[Zz]$", "+00:00")
    whole = (
        part.struct.field("1")
        + "T"
        + part.struct.field("2")
        + part.struct.field("3").fill_null(":00")
        + part.struct.field("4").fill_null(".0")
        + offset
    )
    return whole.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f%:z", time_unit="us", strict=False).cast(INSTANT)


def _number(text: pl.Expr) -> pl.Expr:
    return pl.when(text.str.contains(_NUMBER_TEXT)).then(text.cast(REAL, strict=False))
