"""A log laid out: preamble, header, rows and end line, as UTF-8 text with `\\n` between lines."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from pipeline.ingest.profile import Profile
from pipeline.ingest.quoting import split_quoted
from pipeline.ingest.rules import FileRejected, Rule

_PREAMBLE_LINES = 2_000


@dataclass(frozen=True)
class Page:
    """
    One log, taken apart.

    Parameters
    ----------
    preamble
        The text of every line before the header.
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


def lay_out(data: bytes, profile: Profile, cut_off: bool = False) -> Page:
    """
    Decode a log and find its preamble, its header and its end line as the profile says.

    Raises
    ------
    FileRejected
        When there is no header line.
    """
    text = _utf8(data, profile.encoding)
    at, line, preamble = 0, 1, []
    while at < len(text) and line <= _PREAMBLE_LINES:
        stop = text.find(b"\n", at)
        stop = len(text) if stop < 0 else stop
        here = text[at:stop].decode()
        at, line = stop + 1, line + 1
        if _is_header(here, line - 1, profile):
            body, promised = _without_end_line(text[at:], profile)
            return Page("\n".join(preamble), _names(here, profile), body, line, promised, cut_off)
        preamble.append(here)
    raise FileRejected(Rule.HEADER_MISSING, f"It has no line of column names where profile '{profile.name}' expects one.")


def _utf8(data: bytes, encoding: str) -> bytes:
    """The text as UTF-8 with plain line ends; a byte that means nothing becomes U+FFFD, and its row is rejected later."""
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
    return tuple(cell.strip() for cell in cells if cell is not None)


def _without_end_line(body: bytes, profile: Profile) -> tuple[bytes, int | None]:
    if body.endswith(b"\n\n"):
        body = body.rstrip(b"\n") + b"\n"
    if profile.end_line is None:
        return body, None
    filled = len(body.rstrip(b"\n "))
    start = body.rfind(b"\n", 0, filled) + 1
    found = re.fullmatch(profile.end_line, body[start:filled].decode())
    return (body[:start], int(found["rows"])) if found else (body, None)
