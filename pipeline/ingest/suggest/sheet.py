"""An unknown export as a sheet: its encoding, its delimiter, where the column names stand, its rows."""

from __future__ import annotations

import codecs
import csv
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from schemas.errors import InputError

DELIMITERS = (";", "\t", ",", "|")
_LEAST_COLUMNS = 4  # a clock, a session, a state and one reading
_HEAD_LINES = 60  # within which the column names are looked for
_ROWS = 5_000  # read at most: some days of minutes, with a midnight among them
_MOST_BELOW = 3  # lines of units or formats under the header
MOST_SUMMED_UP = 3  # cells of a last line that sums up; what has more is a row cut off
_PADDED_AFTER = 3  # rows that must say more than a padded sum does
_WIDTH = 100_000  # signs of a line that are looked at: a minute of samples is far shorter
_COMMENTS = ("#", "%", "//", "*", "'", "!")
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")


@dataclass(frozen=True)
class Sheet:
    """
    The export, taken apart.

    Parameters
    ----------
    above
        Lines above the column names.
    comment
        The sign all of those begin with, if they do.
    names
        The column names.
    cells
        Column by column, the cells of the rows, stripped.
    last
        The last line, where it is no row.
    rows
        How many lines between the names and that last line are filled.
    below, below_names
        How many lines right under the names are no rows, and what they say of each column: units mostly.
    is_ascii
        Whether all of it reads the same in most encodings.
    """

    encoding: str
    delimiter: str
    above: tuple[str, ...]
    comment: str | None
    header: str
    names: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    last: str | None
    rows: int
    below: int = 0
    below_names: tuple[str, ...] = ()
    is_ascii: bool = True


def sheet_of(data: bytes) -> Sheet:
    """
    Take an export apart that nobody has described.

    The column names are the line above the longest run of lines that a delimiter parts into as many cells.

    Raises
    ------
    InputError
        When no delimiter parts it into a table of minutes.
    """
    encoding, text = _decoded(data)
    lines = [line[:_WIDTH] for line in text.splitlines()]
    found = [_table(lines, delimiter) for delimiter in DELIMITERS]
    fitting = max((t for t in found if t is not None), key=lambda t: (t[0], t[1]), default=None)
    if fitting is None:
        raise InputError(
            "profile suggest: the file holds no table of minutes parted by ; , | or tabs; "
            "export the per-minute log as text (CSV) and name that file."
        )
    _, _, delimiter, at = fitting
    names = tuple(name.strip() for name in _parted([lines[at]], delimiter)[0])
    body = [line for line in lines[at + 1 :] if line.strip()]
    above = tuple(lines[:at])
    comment = next(
        (
            sign
            for sign in _COMMENTS
            if above and all(line.startswith(sign) for line in above if line.strip())
        ),
        None,
    )
    last = None
    if body and (_width(body[-1], delimiter) != len(names) or _sums_up(body, delimiter)):
        last = body.pop()
    if comment is not None:
        body = [line for line in body if not line.startswith(comment)]
    below = _below(_parted(body[: _MOST_BELOW + 3], delimiter))
    units = tuple(" ".join(parts).strip() for parts in zip(*_parted(body[:below], delimiter), strict=False))
    body = body[below:]
    rows = [row for row in _parted(body[:_ROWS], delimiter) if len(row) == len(names)]
    cells = tuple(tuple(row[place].strip() for row in rows) for place in range(len(names)))
    return Sheet(
        encoding,
        delimiter,
        above,
        comment,
        lines[at],
        names,
        cells,
        last,
        len(body),
        below,
        units,
        text.isascii(),
    )


def _decoded(data: bytes) -> tuple[str, str]:
    marks = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
    for mark, encoding in marks:
        if data.startswith(mark):
            return encoding, data.decode(encoding, errors="replace").removeprefix("\ufeff")
    try:
        return "utf-8", data.decode("utf-8")
    except UnicodeDecodeError:
        # cut in the middle of a sign is no other encoding
        text = data.decode("utf-8", errors="replace")
        if text.count("\ufffd") <= 1 and text.endswith("\ufffd"):
            return "utf-8", text
        return "windows-1252", data.decode("windows-1252", errors="replace")


def _table(lines: Sequence[str], delimiter: str) -> tuple[int, int, str, int] | None:
    """How many rows stand under the best header, its columns, the delimiter and the header's place."""
    widths = [len(row) for row in _parted(lines[: _HEAD_LINES + 200], delimiter)]
    if not widths:
        return None
    best: tuple[int, int, str, int] | None = None
    for at, width in enumerate(widths[:_HEAD_LINES]):
        if width < _LEAST_COLUMNS or not _names_columns(_parted([lines[at]], delimiter)[0]):
            continue
        under = [w for w in widths[at + 1 :] if w > 1]
        fits = sum(w == width for w in under)
        if fits and fits >= 0.6 * len(under) and (best is None or (fits, width) > best[:2]):
            best = (fits, width, delimiter, at)
    if best is None or statistics.median(widths[best[3] + 1 :]) < _LEAST_COLUMNS:
        return None
    return best


def _width(line: str, delimiter: str) -> int:
    return len(_parted([line], delimiter)[0])


def _sums_up(body: Sequence[str], delimiter: str) -> bool:
    """Whether the last line says little, begins unlike a row, and is padded with delimiters to its width."""
    lines = body[-_PADDED_AFTER - 1 :]
    said = [_width(line.rstrip(delimiter + " "), delimiter) for line in lines]
    begins = [re.sub(r"\d+", "9", line.partition(delimiter)[0]) for line in lines]
    few = len(lines) > _PADDED_AFTER and said[-1] <= MOST_SUMMED_UP < min(said[:-1])
    return few and begins[-1] not in begins[:-1]


def _below(rows: Sequence[Sequence[str]]) -> int:
    """How many rows right under the header hold no number, where those after them do."""
    numbers = [sum(_NUMBER.fullmatch(cell.strip()) is not None for cell in row) for row in rows]
    first = next((at for at, count in enumerate(numbers) if count), 0)
    return first if first <= _MOST_BELOW and any(numbers[first + 1 :]) else 0


def _names_columns(cells: Sequence[str]) -> bool:
    """Whether a line reads as column names: words, and hardly a number among them."""
    numbers = sum(_NUMBER.fullmatch(cell.strip()) is not None for cell in cells)
    words = sum(any(sign.isalpha() for sign in cell) for cell in cells)
    return numbers == 0 and words >= 0.7 * len(cells)


def _parted(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    if not any('"' in line for line in lines):
        return [line.split(delimiter) for line in lines]
    parted = []
    for line in lines:  # line by line: a quote left open must not swallow the rows under it
        try:
            parted.append(next(csv.reader([line], delimiter=delimiter), []))
        except csv.Error:
            parted.append(line.split(delimiter))
    return parted
