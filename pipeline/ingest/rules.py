"""The rules a log can break, each with one stable name, and the error that stops a whole file."""

from __future__ import annotations

from enum import StrEnum

import polars as pl


class Rule(StrEnum):
    """
    Name of a broken rule as it stands in `rejected_row.rule`.

    The first block costs the file (or, where said, marks it as cut off), the second a row, the
    third a cell. `value_missing` and `value_unreadable` cost a row where the cell is the clock, the
    session, the state or the device, and only the cell everywhere else.
    """

    FILE_EMPTY = "file_empty"
    FILE_TOO_LARGE = "file_too_large"
    GZIP_DAMAGED = "gzip_damaged"
    GZIP_CUT_OFF = "gzip_cut_off"  # rows before the break are kept
    NO_PROFILE = "no_profile"
    SEVERAL_PROFILES = "several_profiles"
    HEADER_MISSING = "header_missing"
    COLUMN_MISSING = "column_missing"
    COLUMN_TWICE = "column_twice"
    PREAMBLE_MISSING = "preamble_missing"
    PREAMBLE_CONTRADICTS = "preamble_contradicts"
    SECOND_PREAMBLE = "second_preamble"
    SITE_MISSING = "site_missing"
    SITE_UNREADABLE = "site_unreadable"
    DEVICE_UNREADABLE = "device_unreadable"
    TIMEZONE_UNKNOWN = "timezone_unknown"
    EXPORTED_AT_UNREADABLE = "exported_at_unreadable"  # in a column of dates only that cell
    ROW_COUNT_DIFFERS = "row_count_differs"  # rows are kept, the file is incomplete
    NO_ROWS = "no_rows"
    NO_ROW_KEPT = "no_row_kept"

    BYTES_UNREADABLE = "bytes_unreadable"
    LINE_TOO_LONG = "line_too_long"
    LINE_CUT_OFF = "line_cut_off"
    QUOTE_UNREADABLE = "quote_unreadable"
    CELLS_TOO_FEW = "cells_too_few"
    CELLS_TOO_MANY = "cells_too_many"
    CLOCK_UNREADABLE = "clock_unreadable"
    CLOCK_TOO_EARLY = "clock_too_early"
    CLOCK_AFTER_EXPORT = "clock_after_export"
    STATE_UNKNOWN = "state_unknown"
    VALUE_MISSING = "value_missing"

    VALUE_UNREADABLE = "value_unreadable"
    VALUE_OUT_OF_RANGE = "value_out_of_range"
    VALUES_CONTRADICT = "values_contradict"  # minimum, mean and maximum of one minute
    TRACE_SETTINGS_MISSING = "trace_settings_missing"
    TRACE_UNREADABLE = "trace_unreadable"
    TRACE_TOO_LONG = "trace_too_long"


class FileRejected(Exception):
    """
    Nothing of this file can be used; carries the record of why.

    Parameters
    ----------
    reason
        One sentence: what, where, what to do. Never the file's name: names can hold patients' names.
    column, line, value
        Where the broken rule was met and the text that broke it, as far as there is one.
    """

    def __init__(
        self,
        rule: Rule,
        reason: str,
        *,
        column: str | None = None,
        line: int | None = None,
        value: str | None = None,
    ) -> None:
        super().__init__(reason)
        self.rule = rule
        self.reason = reason
        self.column = column
        self.line = line
        self.value = value


SHAPE_LENGTH = 80
VALUE_LENGTH = 4096

# What was broken, while a file is read: one row a record, before the file's digest is put to it.
FAULTS: dict[str, pl.DataType] = {
    "line": pl.Int32(),
    "scope": pl.String(),
    "column": pl.String(),
    "rule": pl.String(),
    "value": pl.String(),
}


def no_faults() -> pl.DataFrame:
    """A frame of faults without rows."""
    return pl.DataFrame(schema=FAULTS)


def value_shape(value: pl.Expr) -> pl.Expr:
    """
    The shape of a value without the value: 9 for a digit, a for a letter, ? for a control character.

    Other signs stand as they are; at most 80 characters are shown.

    Examples
    --------
    >>> pl.select(value_shape(pl.lit("14:xx"))).item()
    '99:aa'
    """
    masked = (
        value.str.head(SHAPE_LENGTH)
        .str.replace_all(r"[\p{L}\p{M}]", "a")
        .str.replace_all(r"\p{N}", "9")
        .str.replace_all(r"\p{C}", "?")
    )
    cut_off = value.str.len_chars() > SHAPE_LENGTH
    return pl.when(cut_off).then(masked + "…").otherwise(masked)
