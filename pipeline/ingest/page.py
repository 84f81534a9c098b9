"""A log laid out: preamble, header, rows and end line, as UTF-8 text with `\\n` between lines."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from pipeline.ingest.pattern import first
from pipeline.ingest.profile import Profile
from pipeline.ingest.quoting import split_quoted
from pipeline.ingest.rules import FileRejected, Rule

_PREAMBLE_LINES = 2_000
_WINDOW = 4096
# A profile's patterns look for blanks at a line's end: on a line of blanks alone that costs the square of
# its length. What says a device or a date is never this long.
PREAMBLE_WIDTH = 500
_MOST_BYTES_A_SIGN = 4  # in UTF-8, UTF-16 and UTF-32 alike


@dataclass(frozen=True)
class Page:
    """
    One log, taken apart.

    Parameters
    ----------
    preamble
        The text of every line before the header and of those under it that are no rows; an overlong one says
        nothing and stands empty.
    header
        Names of the file's columns, without blanks around them.
    body
        The lines between header and end line; what could not be decoded stands as U+FFFD.
    first_line
        Line of the file, from 1, on which the body begins.
    rows_promised
        What the end line says; null where the file has none.
    cut_off
        Whether the last line of the body may be a part of a line.
    """

    preamble: str
    header: tuple[str, ...]
    body: bytes
    first_line: int
    rows_promised: int | None
    cut_off: bool


def lay_out(data: bytes, profile: Profile, cut_off: bool = False, line_most: int | None = None) -> Page:
    """
    Decode a log and find its preamble, its header and its end line as the profile says.

    A line of more than `line_most` signs is no row whatever it says: it is cut, still too long, before it
    costs a multiple of its length.

    Raises
    ------
    FileRejected
        When there is no header line.
    """
    if line_most is not None:
        data = _without_overlong(data, _MOST_BYTES_A_SIGN * (line_most + 1))
    text = _utf8(data, profile.encoding)
    preamble: list[str] = []
    at, line = 0, 1
    while at < len(text) and line <= _PREAMBLE_LINES:
        stop = text.find(b"\n", at)
        stop = len(text) if stop < 0 else stop
        here = text[at:stop].decode()
        at, line = stop + 1, line + 1
        if _is_header(here, line - 1, profile):
            below, at = _below(text, at, profile.skip_below_header)
            preamble, line = [*preamble, *below], line + len(below)
            body, promised = _without_end_line(text, at, profile)
            return Page("\n".join(preamble), _names(here, profile), body, line, promised, cut_off)
        preamble.append(here if len(here) <= PREAMBLE_WIDTH else "")
    raise FileRejected(
        Rule.HEADER_MISSING, f"It has no line of column names where profile '{profile.name}' expects one."
    )


def _below(text: bytes, at: int, lines: int) -> tuple[list[str], int]:
    """So many lines under the header, of units or the like, and where the rows begin behind them."""
    below = []
    for _ in range(lines):
        stop = text.find(b"\n", at)
        if stop < 0:
            break
        here = text[at:stop].decode()
        below.append(here if len(here) <= PREAMBLE_WIDTH else "")
        at = stop + 1
    return below, at


def _without_overlong(data: bytes, most: int) -> bytes:
    """The same lines, those of more than `most` bytes cut to that."""
    parts: list[bytes] = []
    at = begun = 0
    while at + most < len(data):
        last = data.rfind(b"\n", at, at + most + 1)
        if last >= 0:  # every line that ends in this window began in it
            at = last + 1
            continue
        end = data.find(b"\n", at + most)
        end = len(data) if end < 0 else end
        parts.append(data[begun : at + most])
        at = begun = end
        if at < len(data):
            at += 1
    return b"".join((*parts, data[begun:])) if parts else data


def _utf8(data: bytes, encoding: str) -> bytes:
    """The text as UTF-8 with plain line ends; a byte that means nothing becomes U+FFFD, for its row to go."""
    if encoding == "utf-8":
        data = data.removeprefix(codecs.BOM_UTF8)
    if encoding != "utf-8" or not data.isascii():
        data = data.decode(encoding, errors="replace").removeprefix("\ufeff").encode(errors="replace")
    return data.replace(b"\r\n", b"\n") if b"\r" in data else data


def _is_header(text: str, line: int, profile: Profile) -> bool:
    if profile.header_starts is not None:
        return text.startswith(profile.header_starts)
    if line <= profile.skip_lines or not text.strip():
        return False
    return profile.comment is None or not text.startswith(profile.comment)


def _names(text: str, profile: Profile) -> tuple[str, ...]:
    cells = split_quoted(text, profile.delimiter) if '"' in text else text.split(profile.delimiter)
    return tuple(cell.strip() for cell in cells or ())


def _without_end_line(text: bytes, start: int, profile: Profile) -> tuple[bytes, int | None]:
    """The body from `start` on, blank lines at its end and an end line taken off, and what that promises."""
    filled = _last_sign(text, start)
    last = max(text.rfind(b"\n", start, filled) + 1, start)
    promised = rows_promised(text[last:filled].decode(), profile)
    if promised is not None:
        return text[start:last], promised
    line_end = text.find(b"\n", filled)
    return text[start : len(text) if line_end < 0 else line_end + 1], None


def _last_sign(text: bytes, start: int) -> int:
    """Where the blanks at the end begin, not before `start`; by windows, for a text is long to copy."""
    end = len(text)
    while end > start:
        begin = max(start, end - _WINDOW)
        if kept := text[begin:end].rstrip(b"\n "):
            return begin + len(kept)
        end = begin
    return start


def rows_promised(line: str, profile: Profile) -> int | None:
    """How many rows a line says there are; null where it is no end line."""
    if profile.end_line is None or len(line) > PREAMBLE_WIDTH:
        return None
    said = first(rf"\A(?:{profile.end_line})\z", line, "rows")
    return int(said) if said is not None and said.isdecimal() and len(said) <= 9 else None
