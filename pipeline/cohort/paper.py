"""The paper a ward's file is written on: preamble, header and rows of text, before any value is read."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from pipeline.ingest.rules import Rule

_INSTANT = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:\d{2})", re.ASCII)


class RegistryKind(StrEnum):
    """The two kinds of file; the word is the key of the first preamble line."""

    DRAINS = "drain-registry"
    ANNOTATIONS = "drain-annotations"


@dataclass(frozen=True)
class Paper:
    """
    A file taken apart.

    `rows`: (line, cells) of each row that is not blank; `broken`: (line, text) of those whose quotation
    marks make no sense; lines are counted from 1 in the file.
    """

    exported_at: datetime
    header: list[str]
    rows: list[tuple[int, list[str]]]
    broken: list[tuple[int, str]]


class Unreadable(Exception):
    """Ends the reading of a file: the rule that was broken and the sentence for the person."""

    def __init__(self, rule: Rule, reason: str) -> None:
        super().__init__(reason)
        self.rule, self.reason = rule, reason


def kind_of(data: bytes) -> RegistryKind | None:
    r"""
    Tell a registry or annotation file from anything else by its first line.

    Examples
    --------
    >>> kind_of(b"# drain-annotations: 1\n").value
    'drain-annotations'
    >>> kind_of(b"# drain-log: 1\n") is None
    True
    """
    first = data[:200].removeprefix(b"\xef\xbb\xbf").split(b"\n", 1)[0].decode("utf-8", errors="replace")
    key = first.strip().removeprefix("#").partition(":")[0].strip()
    return next((kind for kind in RegistryKind if kind.value == key), None)


def take_apart(data: bytes, kind: RegistryKind, most: int) -> Paper:
    """
    Decode a file, read its preamble and split it into rows.

    Raises
    ------
    Unreadable
        Where nothing of the file can be used, with the rule and a sentence for the person.
    """
    if len(data) > most:
        raise Unreadable(
            Rule.FILE_TOO_LARGE,
            f"The file is larger than {most // 2**20} MiB; split it, or raise plausible.paper_most.",
        )
    exported_at, first_line, body = _preamble(data, kind)
    header, rows, broken = _records(body, first_line)
    return Paper(exported_at, header, rows, broken)


def check_header(header: Sequence[str], needed: Sequence[str]) -> None:
    """
    See that a header has what it must have, and nothing twice.

    Raises
    ------
    Unreadable
        Where a needed column is missing or one comes twice.
    """
    missing = [name for name in needed if name not in header]
    if missing:
        raise Unreadable(Rule.COLUMN_MISSING, f"The header lacks {named(missing)}; add what is missing.")
    twice = sorted(name for name, times in Counter(header).items() if times > 1)
    if twice:
        raise Unreadable(Rule.COLUMN_TWICE, f"The header has {named(twice)} more than once; keep one.")


def _preamble(data: bytes, kind: RegistryKind) -> tuple[datetime, int, str]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Unreadable(
            Rule.BYTES_UNREADABLE, "The file is not UTF-8 text; export it again as UTF-8."
        ) from None
    lines = io.StringIO(text, newline=None).read().split("\n")
    values: dict[str, str] = {}
    start = 0
    for start, line in enumerate(lines):  # noqa: B007
        if not line.startswith("#"):
            break
        key, _, value = line.removeprefix("#").partition(":")
        values.setdefault(key.strip(), value.strip())
    version = values.get(kind.value)
    if version is None:
        raise Unreadable(
            Rule.PREAMBLE_MISSING, f"The line '# {kind.value}: 1' is missing; add it at the top of the file."
        )
    if version != "1":
        raise Unreadable(
            Rule.PREAMBLE_MISSING,
            f"Version {version[:20]!r} of '{kind.value}' is not known; write version 1.",
        )
    exported = values.get("exported_at", "")
    if not _INSTANT.fullmatch(exported):
        raise Unreadable(
            Rule.EXPORTED_AT_UNREADABLE,
            "The line '# exported_at:' must hold a time with its offset, such as 2031-03-14T06:00:00+01:00;"
            " add it.",
        )
    try:
        exported_at = datetime.fromisoformat(exported).astimezone(UTC)
    except (ValueError, OverflowError):
        raise Unreadable(
            Rule.EXPORTED_AT_UNREADABLE, "The time in '# exported_at:' does not exist; mend it."
        ) from None
    return exported_at, start + 1, "\n".join(lines[start:])


def _records(
    body: str, first_line: int
) -> tuple[list[str], list[tuple[int, list[str]]], list[tuple[int, str]]]:
    """Header, (line, cells) of each row, and the lines whose quotation marks make no sense."""
    head = body.split("\n", 1)[0]
    delimiter = ";" if ";" in head else ","
    try:
        header = [name.strip() for name in next(csv.reader([head], delimiter=delimiter, strict=True), [])]
    except csv.Error:
        header = []
    rest = body.split("\n")[1:]
    records: list[tuple[int, list[str]]] = []
    broken: list[tuple[int, str]] = []
    try:
        reader = csv.reader([line + "\n" for line in rest], delimiter=delimiter, strict=True)
        before = 0
        for cells in reader:
            records.append((first_line + 1 + before, cells))
            before = reader.line_num
    except csv.Error:
        # One stray quotation mark must cost its own line only: read line by line.
        records = []
        for offset, line in enumerate(rest):
            try:
                records += [
                    (first_line + 1 + offset, c) for c in csv.reader([line], delimiter=delimiter, strict=True)
                ]
            except csv.Error:
                broken.append((first_line + 1 + offset, line))
    return header, [(line, cells) for line, cells in records if any(c.strip() for c in cells)], broken


def named(names: Sequence[str]) -> str:
    """Names for a sentence, the first six at most."""
    shown = ", ".join(f'"{name[:40]}"' for name in names[:6])
    return shown if len(names) <= 6 else f"{shown} and {len(names) - 6} more"
