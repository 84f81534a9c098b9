"""Reading registry and annotation files: what the ward knows and the device does not."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

import polars as pl

from pipeline.cohort.cells import Cell, RegistryRule, shape_of, typed
from pipeline.ingest.rules import Rule
from schemas.lake import REJECTED_ROW, REJECTED_VALUE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.table import Table
from schemas.vocabulary import AnnotationKind, FileStatus, RejectScope, RemovalReason, Side

_INSTANT = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:\d{2})", re.ASCII)


class RegistryKind(StrEnum):
    """The two kinds of file; the word is the key of the first preamble line."""

    DRAINS = "drain-registry"
    ANNOTATIONS = "drain-annotations"


@dataclass(frozen=True)
class RegistryRead:
    """
    What came of reading one file.

    `rows` (REGISTRY_DRAIN or ANNOTATION), `rejected` (REJECTED_ROW), `rejected_values`
    (REJECTED_VALUE, private), and `file`: every LOAD_FILE column but `loaded_at`.
    """

    rows: pl.DataFrame
    rejected: pl.DataFrame
    rejected_values: pl.DataFrame
    file: dict[str, Any]


@dataclass(frozen=True)
class _Layout:
    kind: RegistryKind
    table: Table
    cells: tuple[Cell, ...]


_DRAINS = _Layout(
    RegistryKind.DRAINS,
    REGISTRY_DRAIN,
    (
        Cell("drain_key", needed=True),
        Cell("patient_key", needed=True),
        Cell("site", needed=True, pattern=r"^[a-z0-9_-]{1,40}$"),
        Cell("unit", needed=True),
        Cell("tube_in_at", needed=True),
        Cell("tube_out_at"),
        Cell("uses", each=r"^[A-Za-z0-9._-]{1,40}/\d{1,15}$"),
        Cell("device", into="devices", each=r"^[A-Za-z0-9._-]{1,40}$"),
        Cell("procedure"),
        Cell("procedure_end_at"),
        Cell("side", words=tuple(Side)),
        Cell("tube_french"),
        Cell("removal_reason", words=tuple(RemovalReason)),
        Cell("age_years"),
        Cell("sex"),
        Cell("bmi"),
        Cell("fev1_pct"),
        Cell("adhesions"),
        Cell("reinserted_at"),
        Cell("readmitted_at"),
        Cell("pneumothorax_after"),
    ),
)
_ANNOTATIONS = _Layout(
    RegistryKind.ANNOTATIONS,
    ANNOTATION,
    (
        Cell("drain_key", needed=True),
        Cell("site", needed=True, pattern=r"^[a-z0-9_-]{1,40}$"),
        Cell("started_at", needed=True),
        Cell("ended_at"),
        Cell("kind", needed=True, words=tuple(AnnotationKind)),
        Cell("author_role"),
        Cell("note"),
    ),
)


def read_registry(data: bytes) -> RegistryRead:
    r"""
    Read a registry file: one row a drain, as the hospital has it.

    UTF-8 (a byte-order mark is fine), preamble `# drain-registry: 1` and `# exported_at:` (RFC 3339
    with offset), a header line, then rows; the delimiter is `;` where the header has one, else `,`.
    A bad value in a cell that may be empty makes the cell null; a bad or missing needed value or a
    wrong number of cells rejects the row; each is recorded with line, column, rule and shape. A key
    that comes twice in one file keeps its last row, for later rows correct earlier ones. A file that
    cannot be read at all is rejected with one sentence; nothing is raised.

    Examples
    --------
    >>> read = read_registry(
    ...     b"# drain-registry: 1\n# exported_at: 2031-03-14T06:00:00+01:00\n"
    ...     b"drain_key,patient_key,site,unit,tube_in_at,uses,tube_french\n"
    ...     b"d1,p1,lakeside,thoracic,2031-03-10T14:00:00+01:00,DV-0042/17;DV-0051/3,wide\n"
    ... )
    >>> read.rows["uses"].to_list(), read.rejected.select("line", "column", "value_shape").rows()
    ([['DV-0042/17', 'DV-0051/3']], [(4, 'tube_french', 'aaaa')])
    """
    return _read(data, _DRAINS)


def read_annotations(data: bytes) -> RegistryRead:
    """Read an annotation file (`# drain-annotations: 1`): as `read_registry`, one row an annotation."""
    return _read(data, _ANNOTATIONS)


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


def standing(rows: pl.DataFrame) -> pl.DataFrame:
    """
    Of rows that came again, corrected, keep the one that stands.

    A drain's row is named by (site, drain_key); an annotation by those, its start and its kind. The
    row of the greatest (exported_at, file_sha256) stands, so the order of loading does not matter.
    A row once given is taken back by withdrawing its file, not by leaving it out of the next one.
    """
    name = ["site", "drain_key"]
    if "started_at" in rows.columns:
        name += ["started_at", "kind"]
    return rows.sort(*name, "exported_at", "file_sha256").unique(name, keep="last", maintain_order=True)


class _Unreadable(Exception):
    """Ends the reading of a file: the rule that was broken and the sentence for the person."""

    def __init__(self, rule: Rule, reason: str) -> None:
        super().__init__(reason)
        self.rule, self.reason = rule, reason


def _read(data: bytes, layout: _Layout) -> RegistryRead:
    digest = hashlib.sha256(data).hexdigest()
    file: dict[str, Any] = {
        "file_sha256": digest,
        "profile": layout.kind.value,
        "profile_sha256": None,
        "site": None,
        "device": None,
        "exported_at": None,
        "timezone": None,
        "clock_follows_dst": None,
        "complete": None,
        "status": FileStatus.REJECTED.value,
        "rows_read": 0,
        "rows_kept": 0,
        "rows_rejected": 0,
        "cells_rejected": 0,
        "reason": None,
        "zone_data": None,
    }
    try:
        exported_at, first_line, body = _preamble(data, layout.kind)
        file["exported_at"] = exported_at
        header, records, broken = _records(body, first_line)
        unknown = _check_header(header, layout)
    except _Unreadable as error:
        file["reason"] = error.reason
        rejected = pl.DataFrame(
            {"file_sha256": [digest], "scope": [RejectScope.FILE.value], "rule": [error.rule.value]}
        )
        return RegistryRead(
            layout.table.empty(), REJECTED_ROW.conform(rejected), REJECTED_VALUE.empty(), file
        )
    whole = [(line, cells) for line, cells in records if len(cells) == len(header)]
    misshapen = [
        (line, ",".join(cells), Rule.CELLS_TOO_FEW if len(cells) < len(header) else Rule.CELLS_TOO_MANY)
        for line, cells in records
        if len(cells) != len(header)
    ]
    kept, problems = typed(_text_frame(header, whole, layout), layout.cells, layout.table)
    problems = pl.concat([problems, _broken_frame([*broken, *misshapen])])
    kept, backwards = _backwards(kept, layout)
    problems = pl.concat([problems, backwards])
    kept, repeated = _last_of_each(kept, layout)
    problems = problems.filter(~pl.col("line").is_in(repeated["line"].implode()))
    problems = pl.concat([problems, repeated]).sort("line", "column", "rule")
    rows = layout.table.conform(
        kept.sort("line").with_columns(exported_at=pl.lit(exported_at), file_sha256=pl.lit(digest))
    )
    problems = problems.with_columns(file_sha256=pl.lit(digest))
    sites = rows["site"].unique().sort().to_list()
    read = len(records) + len(broken)
    file |= {
        "site": sites[0] if len(sites) == 1 else None,
        "rows_read": read,
        "rows_kept": rows.height,
        "rows_rejected": read - rows.height,
        "cells_rejected": problems.filter(pl.col("scope") == RejectScope.CELL.value).height,
    }
    file["status"], file["reason"] = _status(file, unknown)
    return RegistryRead(
        rows,
        REJECTED_ROW.conform(problems.with_columns(value_shape=shape_of(pl.col("value")))),
        REJECTED_VALUE.conform(problems),
        file,
    )


def _preamble(data: bytes, kind: RegistryKind) -> tuple[datetime, int, str]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise _Unreadable(
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
        raise _Unreadable(
            Rule.PREAMBLE_MISSING, f"The line '# {kind.value}: 1' is missing; add it at the top of the file."
        )
    if version != "1":
        raise _Unreadable(
            Rule.PREAMBLE_MISSING,
            f"Version {version[:20]!r} of '{kind.value}' is not known; write version 1.",
        )
    exported = values.get("exported_at", "")
    if not _INSTANT.fullmatch(exported):
        raise _Unreadable(
            Rule.EXPORTED_AT_UNREADABLE,
            "The line '# exported_at:' must hold a time with its offset, such as 2031-03-14T06:00:00+01:00;"
            " add it.",
        )
    try:
        exported_at = datetime.fromisoformat(exported).astimezone(UTC)
    except (ValueError, OverflowError):
        raise _Unreadable(
            Rule.EXPORTED_AT_UNREADABLE, "The time in '# exported_at:' does not exist; mend it."
        ) from None
    return exported_at, start + 1, "\n".join(lines[start:])


def _records(
    body: str, first_line: int
) -> tuple[list[str], list[tuple[int, list[str]]], list[tuple[int, str, Rule]]]:
    """Header, (line, cells) of each row, and the lines whose quotation marks make no sense."""
    head = body.split("\n", 1)[0]
    delimiter = ";" if ";" in head else ","
    try:
        header = [name.strip() for name in next(csv.reader([head], delimiter=delimiter, strict=True), [])]
    except csv.Error:
        header = []
    rest = body.split("\n")[1:]
    records: list[tuple[int, list[str]]] = []
    broken: list[tuple[int, str, Rule]] = []
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
                broken.append((first_line + 1 + offset, line, Rule.QUOTE_UNREADABLE))
    return header, [(line, cells) for line, cells in records if any(c.strip() for c in cells)], broken


def _check_header(header: Sequence[str], layout: _Layout) -> list[str]:
    """The columns the layout does not know; raises where a needed one is missing or one comes twice."""
    known = {cell.name for cell in layout.cells}
    missing = [cell.name for cell in layout.cells if cell.needed and cell.name not in header]
    if missing:
        raise _Unreadable(Rule.COLUMN_MISSING, f"The header lacks {_named(missing)}; add what is missing.")
    twice = sorted({name for name in header if header.count(name) > 1})
    if twice:
        raise _Unreadable(Rule.COLUMN_TWICE, f"The header has {_named(twice)} more than once; keep one.")
    return [name for name in header if name not in known]


def _text_frame(
    header: Sequence[str], whole: Sequence[tuple[int, list[str]]], layout: _Layout
) -> pl.DataFrame:
    columns: dict[str, Any] = {"line": [line for line, _ in whole]}
    for cell in layout.cells:
        where = header.index(cell.name) if cell.name in header else None
        columns[cell.name] = [None if where is None else cells[where] for _, cells in whole]
    schema = {"line": pl.Int32} | {cell.name: pl.String for cell in layout.cells}
    return pl.DataFrame(columns, schema=schema)


def _broken_frame(broken: Sequence[tuple[int, str, Rule]]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "line": [line for line, _, _ in broken],
            "scope": [RejectScope.ROW.value] * len(broken),
            "column": [None] * len(broken),
            "rule": [rule.value for _, _, rule in broken],
            "value": [value for _, value, _ in broken],
        },
        schema={
            "line": pl.Int32,
            "scope": pl.String,
            "column": pl.String,
            "rule": pl.String,
            "value": pl.String,
        },
    )


def _backwards(kept: pl.DataFrame, layout: _Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    """An annotation that ends by its start has no known end."""
    if layout.kind is not RegistryKind.ANNOTATIONS:
        return kept, _broken_frame([])
    backwards = (pl.col("ended_at") <= pl.col("started_at")).fill_null(False)
    problems = kept.filter(backwards).select(
        "line",
        scope=pl.lit(RejectScope.CELL.value),
        column=pl.lit("ended_at"),
        rule=pl.lit(Rule.VALUES_CONTRADICT.value),
        value=pl.col("ended_at").dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
    )
    return kept.with_columns(ended_at=pl.when(~backwards).then("ended_at")), problems


def _last_of_each(kept: pl.DataFrame, layout: _Layout) -> tuple[pl.DataFrame, pl.DataFrame]:
    if layout.kind is RegistryKind.ANNOTATIONS:
        return kept, _broken_frame([])
    last = pl.col("line") == pl.col("line").max().over("site", "drain_key")
    repeated = kept.filter(~last).select(
        "line",
        scope=pl.lit(RejectScope.ROW.value),
        column=pl.lit("drain_key"),
        rule=pl.lit(RegistryRule.KEY_TWICE.value),
        value=pl.col("drain_key"),
    )
    return kept.filter(last), repeated


def _status(file: dict[str, Any], unknown: Sequence[str]) -> tuple[str, str | None]:
    sentences = []
    if file["rows_rejected"]:
        sentences.append(f"{file['rows_rejected']} of {file['rows_read']} rows were rejected")
    if file["cells_rejected"]:
        sentences.append(f"{file['cells_rejected']} cells could not be read and are empty")
    if unknown:
        sentences.append(f"{_named(unknown)} in the header is not of the layout and was not read")
    if not sentences:
        return FileStatus.LOADED.value, None
    if file["rows_read"] and not file["rows_kept"]:
        return FileStatus.REJECTED.value, "; ".join(sentences) + "."
    return FileStatus.PARTIAL.value, "; ".join(sentences) + "."


def _named(names: Sequence[str]) -> str:
    shown = ", ".join(f'"{name[:40]}"' for name in names[:6])
    return shown if len(names) <= 6 else f"{shown} and {len(names) - 6} more"
