"""Rows of text cells out of a log's body: a fast way for a clean body, a careful one for any other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from polars.datatypes import DataType

from pipeline.ingest.page import Page
from pipeline.ingest.quoting import split_quoted
from pipeline.ingest.rules import FAULTS, Rule, no_faults

_UNDECODED = "\ufffd"
_NUL = "\0"
_STEP = 1 << 18  # of bytes compared at once: what is made of them stays in the processor's own memory


@dataclass(frozen=True)
class Cells:
    """
    Parameters
    ----------
    rows
        `line` (Int32, in the file from 1) and one column for each place in the header, `0`, `1`, …: text,
        or a number where that was asked for. An empty cell is null.
    faults
        Rows that have no cells to speak of: one record each, scope `row`.
    remarks
        Comment lines among the rows, with their line: (line, text).
    """

    rows: pl.DataFrame
    faults: pl.DataFrame
    remarks: tuple[tuple[int, str], ...] = ()


def cells_of(
    page: Page,
    delimiter: str,
    comment: str | None,
    line_most: int,
    numbers: Mapping[int, DataType] | None = None,
) -> Cells:
    """
    Split a log's body into cells. A row is a line; a quoted cell may hold delimiters, not line ends.

    A body without quotes, comments, blank lines, undecodable bytes or overlong lines, in which each
    line has as many cells as the header, is read by Polars' own CSV reader. Any other goes through
    the careful way, which gives the same for a clean body and a record for each line it cannot use.

    Parameters
    ----------
    numbers
        Places in the header to be read as numbers at once, where every cell there is one; otherwise
        all cells come as texts, for the caller to judge one by one.
    """
    clean = clean_cells(page, delimiter, comment, line_most, numbers)
    return clean or careful_cells(page, delimiter, comment, line_most)


def clean_cells(
    page: Page,
    delimiter: str,
    comment: str | None,
    line_most: int,
    numbers: Mapping[int, DataType] | None = None,
) -> Cells | None:
    """The fast way; null where the body is not clean enough for it."""
    body, width = page.body, len(page.header)
    if (
        page.cut_off
        or width < 2
        or not body
        or not _is_plain(body, comment)
        or _has_long_line(body, line_most)
    ):
        return None
    signs = np.frombuffer(body, np.uint8)
    lines = _count(signs, "\n") + (not body.endswith(b"\n"))
    if _count(signs, delimiter) != lines * (width - 1):
        return None
    types: dict[str, DataType] = {str(place): pl.String() for place in range(width)}
    rows = None
    if numbers:
        rows = _read_csv(page, delimiter, types | {str(place): dtype for place, dtype in numbers.items()})
    if rows is None:
        rows = _read_csv(page, delimiter, types)
    if rows is None or rows.height != lines:
        return None
    return Cells(rows.with_columns(pl.col("line").cast(pl.Int32)), no_faults())


def _read_csv(page: Page, delimiter: str, types: Mapping[str, DataType]) -> pl.DataFrame | None:
    try:
        return pl.read_csv(
            page.body,
            separator=delimiter,
            has_header=False,
            schema=dict(types),
            quote_char=None,
            row_index_name="line",
            row_index_offset=page.first_line,
        )
    except pl.exceptions.PolarsError:
        # A cell that is no number; or, with as many delimiters as there should be, a line with one
        # too many: then another has one too few.
        return None


def careful_cells(page: Page, delimiter: str, comment: str | None, line_most: int) -> Cells:
    """The careful way: line by line where a line needs it, and a record for each that gives no cells."""
    texts = page.body.decode().split("\n")
    if texts[-1] == "" and len(texts) > 1:
        texts.pop()
    lines = pl.DataFrame(
        {
            "line": pl.Series(range(page.first_line, page.first_line + len(texts)), dtype=pl.Int32),
            "text": texts,
        },
        schema={"line": pl.Int32(), "text": pl.String()},
    ).filter(pl.col("text").str.strip_chars(" ") != "")
    is_remark = pl.lit(False) if comment is None else pl.col("text").str.starts_with(comment)
    remarks = tuple(lines.filter(is_remark).iter_rows())
    judged = lines.filter(~is_remark).with_columns(rule=_line_rule(page, len(texts), line_most))
    sound = judged.filter(pl.col("rule").is_null()).drop("rule")
    quoted = pl.col("text").str.contains('"', literal=True)
    split = pl.concat(
        [
            sound.filter(~quoted).with_columns(cells=pl.col("text").str.split(delimiter)),
            _split_one_by_one(sound.filter(quoted), delimiter),
        ]
    ).with_columns(rule=_width_rule(len(page.header)))
    rows = (
        split.filter(pl.col("rule").is_null())
        .sort("line")
        .select(
            "line",
            *(
                pl.col("cells").list.get(place).replace("", None).alias(str(place))
                for place in range(len(page.header))
            ),
        )
    )
    broken = pl.concat([judged.drop_nulls("rule"), split.drop("cells").drop_nulls("rule")])
    return Cells(rows, _faults(broken), remarks)


def _is_plain(body: bytes, comment: str | None) -> bool:
    """No sign that a reader of bare cells could take amiss. Blank lines show in the count of delimiters."""
    # Single bytes are found many times faster than words, and most bodies lack the first byte of one.
    if any(sign in body for sign in (b'"', b"\0", b"\r")) or body.startswith(b"\n"):
        return False
    if not body.isascii() and _UNDECODED.encode() in body:
        return False
    if comment is None or comment[:1].encode() not in body:
        return True
    return not body.startswith(comment.encode()) and b"\n" + comment.encode() not in body


def _count(signs: NDArray[np.uint8], sign: str) -> int:
    """How often a sign stands in a body; faster than `bytes.count` where it stands in every word."""
    wanted = ord(sign)
    parts = (signs[at : at + _STEP] for at in range(0, len(signs), _STEP))
    return sum(int(np.count_nonzero(part == wanted)) for part in parts)


def _has_long_line(body: bytes, most: int) -> bool:
    """Whether a line may be longer than `most` bytes: a longer one covers half of that without a line end."""
    step = max(most // 2, 1)
    return any(body.find(b"\n", at, at + step) < 0 for at in range(0, len(body) - step, step))


def _line_rule(page: Page, lines: int, line_most: int) -> pl.Expr:
    text = pl.col("text")
    unreadable = text.str.contains(_UNDECODED, literal=True) | text.str.contains(_NUL, literal=True)
    cut_off = pl.lit(page.cut_off and not page.body.endswith(b"\n")) & (
        pl.col("line") == page.first_line + lines - 1
    )
    return (
        pl.when(text.str.len_chars() > line_most)
        .then(pl.lit(Rule.LINE_TOO_LONG.value))
        .when(unreadable)
        .then(pl.lit(Rule.BYTES_UNREADABLE.value))
        .when(cut_off)
        .then(pl.lit(Rule.LINE_CUT_OFF.value))
    )


def _split_one_by_one(lines: pl.DataFrame, delimiter: str) -> pl.DataFrame:
    split = [split_quoted(text, delimiter) for text in lines["text"]]
    return lines.with_columns(cells=pl.Series(split, dtype=pl.List(pl.String())))


def _width_rule(width: int) -> pl.Expr:
    cells = pl.col("cells")
    return (
        pl.when(cells.is_null())
        .then(pl.lit(Rule.QUOTE_UNREADABLE.value))
        .when(cells.list.len() < width)
        .then(pl.lit(Rule.CELLS_TOO_FEW.value))
        .when(cells.list.len() > width)
        .then(pl.lit(Rule.CELLS_TOO_MANY.value))
    )


def _faults(broken: pl.DataFrame) -> pl.DataFrame:
    return broken.select(
        "line",
        scope=pl.lit("row"),
        column=pl.lit(None, dtype=pl.String()),
        rule="rule",
        value="text",
    ).cast(FAULTS)  # type: ignore[arg-type]
