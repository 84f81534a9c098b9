"""How rows of a query are shown: a table for people, CSV, JSON or Parquet for programs."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from rich.cells import cell_len
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from flows.show.as_json import json_text
from flows.show.plain import plain
from pipeline.query.rows import Rows, within_calendar
from schemas.errors import CallError

if TYPE_CHECKING:  # frames take longer to import than a table to print
    import polars as pl

MOST_ROWS = 200  # that a table shows people unless they ask for more
NULL = "null"
_WIDEST = 100_000  # columns that no table needs
_LONGEST = 40  # characters of a text that stay where a table must be made to fit
_TO_MINUTE, _TO_SECOND = "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"
_SUFFIXES = {".csv": "csv", ".json": "json", ".parquet": "parquet", ".txt": "table"}


def format_for(asked: str | None, output: Path | None) -> str:
    """
    The form in which rows are wanted: the one asked for, else by the file's ending; printed, a table.

    Raises
    ------
    CallError
        When Parquet is asked for without a file to write to, or neither the call nor the file's ending says
        a form.
    """
    how = asked or ("table" if output is None else _SUFFIXES.get(output.suffix.lower()))
    if how is None:
        raise CallError(
            f"sql: {output} does not end in .csv, .json or .parquet; name it so, or say --format csv, json, "
            "parquet or table."
        )
    if how == "parquet" and output is None:
        raise CallError("sql: parquet cannot be printed; name a file with -o.")
    return how


def show_rows(rows: Rows, most: int) -> None:
    """Print a query's rows as a table; of more than so many the first, and that there are more is said."""
    print_table(rows.first(most), None)
    if len(rows.rows) > most:
        print(f"(there are more rows: these are the first {most:,}; --rows shows more, --format csv all)")


def show_frame(frame: pl.DataFrame, how: str, output: Path | None) -> None:
    """
    Write a query's rows, or print them for a program.

    A file is written whole under a passing name and then takes its own: whoever stops half-way leaves the
    one before as it was.

    Parameters
    ----------
    how
        `table`, `csv`, `json` or `parquet`; see `format_for`.
    output
        The file; null: print CSV or JSON.
    """
    from pipeline.spreadsheet import harmless_csv

    if how != "parquet":
        within_calendar(frame)
    if output is None:
        text = harmless_csv(frame) if how == "csv" else json_text(frame.to_dicts()) + "\n"
        sys.stdout.write(plain(text, keep="\n") if sys.stdout.isatty() else text)
        return
    with _Replacing(output) as beside:
        if how == "parquet":
            frame.write_parquet(beside)
        elif how == "csv":
            beside.write_text(harmless_csv(frame), encoding="utf-8", newline="")
        elif how == "json":
            beside.write_text(json_text(frame.to_dicts()) + "\n", encoding="utf-8")
        else:
            beside.write_text("\n".join(_lines(Rows.of(frame))) + "\n", encoding="utf-8")
    print(f"{_count(frame.height)} in {output}", file=sys.stderr)


def print_table(table_of: pl.DataFrame | Rows, title: str | None) -> None:
    """
    Print rows for people to read; an unknown value is `null`, an empty text is empty.

    A table too wide for the terminal has its long texts cut, which is said; where that is not enough it is
    printed row by row, a line a column, with nothing cut. Where there is no terminal nothing is ever cut.
    """
    width = _width()
    rows = table_of if isinstance(table_of, Rows) else Rows.of(table_of)
    cells = _cells(rows)
    wide = Console(width=_WIDEST, highlight=False)
    table = _table(rows, cells, title)
    needed = wide.measure(table).maximum
    fits, cut = True, False
    if width is not None and needed > width and cells:
        short = [[_cut(cell) for cell in row] for row in cells]
        table = _table(rows, short, title)
        cut = short != cells
        if (needed := wide.measure(table).maximum) > width:
            _print_rows(rows.columns, cells, title)
            fits, cut = False, False
    if fits:
        Console(width=max(needed, len(title or "")), highlight=False).print(table)
    if title is None:
        notes = [_count(len(cells))]
        if rows.in_utc:
            notes.append("times in UTC")
        if cut:
            notes.append("long texts are cut; --format csv has them whole")
        print(f"({'; '.join(notes)})")


def shown(value: Any) -> str:
    """
    One value as people read it.

    Examples
    --------
    >>> [shown(v) for v in (None, "", 0.12345, 12345.678, 7, True, ["a", "b"])]
    ['null', '', '0.1235', '12,345.68', '7', 'yes', 'a, b']
    >>> shown(datetime(2031, 3, 10, 14, 5)), shown(timedelta(hours=30, minutes=5))
    ('2031-03-10 14:05', '1 d 06:05')
    """
    if value is None:
        return NULL
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.4g}" if abs(value) < 1 else f"{value:,.2f}".rstrip("0").rstrip(".")
    if isinstance(value, datetime):
        return value.strftime(_TO_SECOND if value.second or value.microsecond else _TO_MINUTE)
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        days, rest = divmod(minutes, 1440)
        clock = f"{rest // 60:02}:{rest % 60:02}" + (f":{seconds:02}" if seconds else "")
        return f"{days} d {clock}" if days else clock
    if hasattr(value, "to_list"):  # a series within a cell
        value = value.to_list()
    if isinstance(value, list):
        return ", ".join(shown(item) for item in value)
    # A line's end within a cell would break the table, other control signs the terminal.
    return "".join(sign if sign.isprintable() else " " for sign in str(value))


def _width() -> int | None:
    """Columns of the terminal; null where there is none."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


class _Replacing:
    """A file beside another that takes its place when all went well."""

    def __init__(self, output: Path) -> None:
        self.output = output

    def __enter__(self) -> Path:
        if self.output.is_dir():
            raise CallError(f"sql: {self.output} is a folder; name a file.")
        if not self.output.parent.is_dir():
            raise CallError(f"sql: {self.output.parent}: there is no such folder; make it first.")
        handle, name = tempfile.mkstemp(prefix=f".{self.output.name}.", dir=self.output.parent)
        os.close(handle)
        self.beside = Path(name)
        return self.beside

    def __exit__(self, kind: type[BaseException] | None, *rest: object) -> None:
        if kind is None:
            self.beside.replace(self.output)
        else:
            self.beside.unlink(missing_ok=True)


def _cells(rows: Rows) -> list[list[str]]:
    return [[shown(value) for value in row] for row in rows.rows]


def _table(rows: Rows, cells: Sequence[Sequence[str]], title: str | None) -> Table:
    table = Table(title=title, title_justify="left", box=None, pad_edge=False, header_style="bold")
    for at, (name, number) in enumerate(zip(rows.columns, rows.numbers, strict=True)):
        head = plain(name)
        # Told its width, a column is not measured: a rendering of every cell, and twice.
        width = max(_wide(head), *(_wide(row[at]) for row in cells), 1)
        table.add_column(escape(head), justify="right" if number else "left", no_wrap=True, width=width)
    for row in cells:
        table.add_row(*(escape(cell) for cell in row))
    return table


def _wide(text: str) -> int:
    return max(map(cell_len, text.split("\n")))


def _lines(rows: Rows) -> list[str]:
    console = Console(width=_WIDEST, highlight=False, color_system=None)
    with console.capture() as caught:
        console.print(_table(rows, _cells(rows), None), crop=False)
    return [line.rstrip() for line in caught.get().splitlines()]


def _cut(cell: str) -> str:
    return cell if len(cell) <= _LONGEST else cell[: _LONGEST - 1] + "…"


def hung(line: str, indent: int, width: int | None = None) -> str:
    """
    A line as wide as the terminal, the rest of it hung below where it begins; whole where there is none.

    Examples
    --------
    >>> print(hung("  files  31 loaded, 4 partial; 10 logs without an end line", 9, 40))
      files  31 loaded, 4 partial; 10 logs
             without an end line
    """
    most = width or _width()
    if most is None or len(line) <= most or most < 2 * indent:
        return line
    rest = wrap(line[indent:], most - indent, break_long_words=False, break_on_hyphens=False)
    return f"\n{' ' * indent}".join([line[:indent] + rest[0], *rest[1:]])


def _print_rows(names: Sequence[str], rows: Sequence[Sequence[str]], title: str | None) -> None:
    if title:
        print(title)
    names = [plain(name) for name in names]
    longest = max(len(name) for name in names)
    for number, row in enumerate(rows, 1):
        print(f"-- {number}")
        for name, cell in zip(names, row, strict=True):
            line = f"{name:<{longest}}  {cell}".rstrip()
            print(line if title is None else hung(line, longest + 2))


def _count(number: int) -> str:
    return f"{number:,} row" if number == 1 else f"{number:,} rows"
