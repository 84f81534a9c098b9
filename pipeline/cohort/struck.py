"""Rows of erased patients taken out of a registry or annotation file; the rest of it stays as it was."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipeline.cohort.erased import Erased
from pipeline.cohort.paper import RegistryKind, check_header, take_apart
from pipeline.ingest.sources import SITE_PATTERN

# Where staff write what they like; keys in other columns mean what the column says.
_FREE = ("note",)


@dataclass(frozen=True)
class Struck:
    """What is left of a file: its bytes (null: no row is left), rows taken out, cells and lines emptied."""

    data: bytes | None
    rows: int
    cells: int


def strike(
    data: bytes, kind: RegistryKind, known: Sequence[str], needed: Sequence[str], erased: Erased, most: int
) -> Struck:
    """
    Take the rows of erased patients and drains out of a file; their lines become empty.

    A row that cannot be read as one goes where any word of it is an erased key. Of rows that stay, a note or
    a column the layout does not know is emptied where it names an erased key, and so is a line of the
    preamble. Without a hit the bytes are those that were given.

    Parameters
    ----------
    known, needed
        The columns of the layout, and those of them a file must have.
    most
        Bytes of a file that is read at all.

    Raises
    ------
    Unreadable
        When the file cannot be taken apart at all, or its header does not say which cell is whose.
    """
    paper = take_apart(data, kind, most)
    check_header(paper.header, needed)
    text = io.StringIO(data.decode("utf-8-sig"), newline=None).read()
    lines = text.split("\n")
    head = next(at for at, line in enumerate(lines) if not line.startswith("#"))
    delimiter = ";" if ";" in lines[head] else ","
    rows = cells = 0
    for at in range(head):
        key = lines[at].removeprefix("#").partition(":")[0].strip()
        if key not in (kind.value, "exported_at") and erased.words_in(lines[at]):
            lines[at], cells = "#", cells + 1
    starts = sorted([*(line for line, _ in paper.rows), *(line for line, _ in paper.broken)])
    ends = {line: after - 1 for line, after in pairwise([*starts, len(lines) + 1])}
    left = len(starts)
    for line, content in paper.rows:
        if _is_theirs(paper.header, content, erased):
            lines[line - 1 : ends[line]] = [""] * (ends[line] - line + 1)
            rows, left = rows + 1, left - 1
            continue
        emptied = _emptied(paper.header, content, known, erased)
        if emptied != content:
            cells += sum(a != b for a, b in zip(emptied, content, strict=True))
            spare = [""] * (ends[line] - line)
            lines[line - 1 : ends[line]] = [_written(emptied, delimiter), *spare]
    for line, words in paper.broken:
        if erased.words_in(words):
            lines[line - 1] = ""
            rows, left = rows + 1, left - 1
    if rows + cells == 0:
        return Struck(data, 0, 0)
    return Struck("\n".join(lines).encode() if left else None, rows, cells)


def _is_theirs(header: Sequence[str], content: Sequence[str], erased: Erased) -> bool:
    if len(content) != len(header):
        return any(erased.words_in(cell) for cell in content)
    row = {name: cell.strip() for name, cell in zip(header, content, strict=True)}
    if not re.fullmatch(SITE_PATTERN, row["site"]):  # of no site, the row was rejected
        return any(erased.words_in(cell) for cell in content)
    return erased.is_patients(row["site"], row.get("patient_key"), row.get("drain_key"))


def _emptied(
    header: Sequence[str], content: Sequence[str], known: Sequence[str], erased: Erased
) -> list[str]:
    """The cells of a row with free text that names an erased key left empty."""
    if len(content) != len(header):
        return list(content)
    return [
        "" if (name in _FREE or name not in known) and erased.words_in(cell) else cell
        for name, cell in zip(header, content, strict=True)
    ]


def _written(cells: Sequence[str], delimiter: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(cells)
    return out.getvalue()
