"""Cells of one line that holds quotes, as RFC 4180 has them; a cell never runs over the line's end."""

from __future__ import annotations


def split_quoted(line: str, delimiter: str) -> list[str] | None:
    """
    Split a line at its delimiters, those inside quotes excepted; null where a quote is not closed.

    A quote opens only at a cell's start; a doubled one inside stands for itself. Between a closing
    quote and the next delimiter nothing may stand but blanks.

    Examples
    --------
    >>> split_quoted('17;"a;b";"5"" tube"', ";")
    ['17', 'a;b', '5" tube']
    >>> split_quoted('17;"a', ";") is None
    True
    """
    cells: list[str] = []
    at = 0
    while True:
        if line.startswith('"', at):
            cell, at = _quoted(line, at + 1)
            end = line.find(delimiter, at)
            end = len(line) if end < 0 else end
            if cell is None or line[at:end].strip():
                return None
        else:
            end = line.find(delimiter, at)
            end = len(line) if end < 0 else end
            cell = line[at:end]
        cells.append(cell)
        if end == len(line):
            return cells
        at = end + len(delimiter)


def _quoted(line: str, start: int) -> tuple[str | None, int]:
    """The cell from behind its opening quote, and where its closing quote ends."""
    at = start
    while True:
        quote = line.find('"', at)
        if quote < 0:
            return None, len(line)
        if not line.startswith('"', quote + 1):
            return line[start:quote].replace('""', '"'), quote + 1
        at = quote + 2
