"""Rows taken out of a raw log for good; every other line of it stays where and as it was."""

from __future__ import annotations

import gzip
import re
from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipeline.definitions import Definitions
from pipeline.ingest.container import unpack
from pipeline.ingest.outcome import ReadLog
from pipeline.ingest.page import lay_out, rows_promised
from pipeline.ingest.profile import Profile
from pipeline.ingest.read import read_log
from pipeline.ingest.recognise import matches

_TRAILER = 8  # bytes at the end of a gzip file; without them it reads as cut off
_SHOWN = 3  # rows of a log that show whether its preamble is still understood


@dataclass(frozen=True)
class Blanked:
    """What is left of a log: its bytes, or null where no row is; and how many rows were taken out."""

    data: bytes | None
    rows: int


def blank_rows(
    data: bytes,
    name: str,
    profile: Profile,
    site: str | None,
    read: ReadLog,
    gone: pl.Series,
    names_somebody: Callable[[str], object],
    definitions: Definitions,
) -> Blanked:
    """
    Take rows out of a log: their lines become empty, so that every other line keeps its number.

    With them go the lines that gave no row (rejected ones, remarks) next to a row that goes, for nobody can
    tell whose they are, and every line of the preamble that the profile can do without, for it may hold a
    name. The end line's promise is lessened by the rows taken out. Doing it in two steps or in one gives the
    same bytes. A packed log is packed again; one that broke off still does.

    Parameters
    ----------
    name, site
        As the log was read.
    read
        What it gave.
    gone
        Which of `read.minutes` are to go.
    names_somebody
        Whether a line of the preamble names somebody whose data are erased.
    """
    minutes = read.minutes
    lost = minutes.filter(gone)["line"]
    if lost.len() and lost.len() == minutes.height:
        return Blanked(None, lost.len())
    unpacked = unpack(data, definitions.plausible.file_most)
    page = lay_out(unpacked.data, profile, unpacked.cut_off)
    if lost.len() == 0 and not names_somebody(page.preamble):
        return Blanked(data, 0)
    lines = _Lines.of(unpacked.data, profile.encoding)
    last = page.first_line + page.body.count(b"\n") + 1
    stray = _beside(minutes["line"], lost, page.first_line, min(last, len(lines.lines)), lines)
    rejected = set(read.rejected.filter(pl.col("scope") == "row")["line"].drop_nulls())
    rows = lost.len() + len(rejected & stray)
    for line in {*lost, *stray}:
        lines.blank(line)
    lines.rewrite(lambda text: _fewer(text, profile, rows))
    _blank_preamble(
        lines, page.first_line, name, profile, site, set(minutes["line"]) - set(lost), definitions
    )
    return Blanked(_packed(lines.data(), data, cut_off=unpacked.cut_off), rows)


@dataclass
class _Lines:
    """A text's lines: as bytes where a line end is one byte, else decoded."""

    lines: list[bytes]
    encoding: str
    plain: bool

    @classmethod
    def of(cls, data: bytes, encoding: str) -> _Lines:
        plain = "#\n".encode(encoding) == b"#\n"
        if not plain:
            data = data.decode(encoding, errors="replace").removeprefix("\ufeff").encode()
        return cls(data.split(b"\n"), encoding, plain)

    def text(self, line: int) -> str:
        """A line, counted from 1, as text."""
        return (
            self.lines[line - 1]
            .decode(self.encoding if self.plain else "utf-8", errors="replace")
            .rstrip("\r")
        )

    def blank(self, line: int) -> None:
        """Empty a line; its line end stays."""
        self.lines[line - 1] = b"\r" if self.lines[line - 1].endswith(b"\r") else b""

    def rewrite(self, change: Callable[[str], str]) -> None:
        """Change the last line that is not empty."""
        for at in range(len(self.lines), 0, -1):
            text = self.text(at)
            if text.strip():
                changed = change(text)
                if changed != text:
                    end = b"\r" if self.lines[at - 1].endswith(b"\r") else b""
                    self.lines[at - 1] = changed.encode(self.encoding if self.plain else "utf-8") + end
                return

    def data(self) -> bytes:
        """All lines as they were encoded."""
        joined = b"\n".join(self.lines)
        return joined if self.plain else joined.decode().encode(self.encoding)


def _beside(rows: pl.Series, lost: pl.Series, first: int, last: int, lines: _Lines) -> set[int]:
    """Lines of the body that gave no row and whose nearest row before or after goes."""
    fate = dict.fromkeys(rows, False) | dict.fromkeys(lost, True)
    found: set[int] = set()
    before = False
    waiting: list[int] = []
    for line in range(first, last + 1):
        if line in fate:
            if before or fate[line]:
                found.update(waiting)
            waiting, before = [], fate[line]
        elif lines.text(line).strip():
            waiting.append(line)
    if before:
        found.update(waiting)
    return {line for line in found if line != _end_line(lines)}


def _end_line(lines: _Lines) -> int:
    return next((at for at in range(len(lines.lines), 0, -1) if lines.text(at).strip()), 0)


def _fewer(text: str, profile: Profile, rows: int) -> str:
    """An end line that promises so many rows fewer; any other line as it is."""
    promised = rows_promised(text, profile)
    found = re.fullmatch(profile.end_line, text) if profile.end_line is not None else None
    if promised is None or found is None:
        return text
    begins, ends = found.span("rows")
    return f"{text[:begins]}{max(promised - rows, 0)}{text[ends:]}"


def _blank_preamble(
    lines: _Lines,
    first_line: int,
    name: str,
    profile: Profile,
    site: str | None,
    left: set[int],
    definitions: Definitions,
) -> None:
    """Empty each line before the rows without which the log is recognised and read just the same."""
    some = sorted(left)[:_SHOWN]
    head = _Lines(
        [*lines.lines[: first_line - 1], *(lines.lines[at - 1] for at in some), b""],
        lines.encoding,
        lines.plain,
    )

    def understood() -> tuple[object, ...]:
        data = head.data()
        log = read_log(data, name, (profile,), definitions, profile=profile.name, site=site)
        told = {k: v for k, v in log.file.items() if k not in ("file_sha256", "reason", "rows_read")}
        minutes, traces = (frame.drop("file_sha256") for frame in (log.minutes, log.traces))
        return told, minutes.to_dicts(), traces.to_dicts(), matches(profile, data)

    as_it_is = understood()
    for line in range(1, first_line):
        kept = head.lines[line - 1]
        if not head.text(line).strip():
            continue
        head.blank(line)
        try:
            same = repr(understood()) == repr(as_it_is)
        except Exception:  # whatever it is, the line is needed
            same = False
        if not same:
            head.lines[line - 1] = kept
    lines.lines[: first_line - 1] = head.lines[: first_line - 1]


def _packed(text: bytes, was: bytes, *, cut_off: bool) -> bytes:
    if not was.startswith(b"\x1f\x8b"):
        return text
    packed = gzip.compress(text, mtime=0)
    return packed[:-_TRAILER] if cut_off else packed
