"""Reading registry and annotation files: what the ward knows and the device does not."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.cohort.cells import Cell, RegistryRule, shape_of, typed
from pipeline.cohort.contradictions import NO_CONTRADICTION, contradictions, repeats
from pipeline.cohort.paper import Paper, RegistryKind, Unreadable, check_header, take_apart
from pipeline.cohort.unread_columns import unread_columns, unread_faults, unread_sentence
from pipeline.definitions import load_definitions
from pipeline.ingest.outcome import unread_file
from pipeline.ingest.rules import Rule
from schemas.lake import REJECTED_ROW, REJECTED_VALUE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.table import Table
from schemas.vocabulary import AnnotationKind, FileStatus, RejectScope, RemovalReason, Side


@dataclass(frozen=True)
class RegistryRead:
    """
    What came of reading one file.

    `rows` (REGISTRY_DRAIN or ANNOTATION), `rejected` (REJECTED_ROW), `rejected_values`
    (REJECTED_VALUE, private), and `file`: every LOAD_FILE column but `loaded_at`. `contradictions` (`line`,
    `finding`, `detail`): rows that are kept but do not agree with themselves, as data_quality will say.
    `ignored`: columns of the header that the layout does not have (private: nobody vouches for a name).
    """

    rows: pl.DataFrame
    rejected: pl.DataFrame
    rejected_values: pl.DataFrame
    file: dict[str, Any]
    contradictions: pl.DataFrame
    ignored: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Layout:
    kind: RegistryKind
    table: Table
    cells: tuple[Cell, ...]


_MOST_REPEATS = 5  # named in a file's reason
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
        Cell("note", longest=4000, lines=True),
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


def layout_columns(kind: RegistryKind) -> tuple[str, ...]:
    """The columns that a file of that kind may have, by their names in the file."""
    return tuple(cell.name for cell in _layout(kind).cells)


def needed_columns(kind: RegistryKind) -> tuple[str, ...]:
    """Those of them that a file of that kind must have."""
    return _needed(_layout(kind))


def read_annotations(data: bytes) -> RegistryRead:
    """Read an annotation file (`# drain-annotations: 1`): as `read_registry`, one row an annotation."""
    return _read(data, _ANNOTATIONS)


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


def _layout(kind: RegistryKind) -> _Layout:
    return _DRAINS if kind is RegistryKind.DRAINS else _ANNOTATIONS


def _needed(layout: _Layout) -> tuple[str, ...]:
    return tuple(cell.name for cell in layout.cells if cell.needed)


def _read(data: bytes, layout: _Layout) -> RegistryRead:
    digest = hashlib.sha256(data).hexdigest()
    file = unread_file(digest) | {"profile": layout.kind.value}
    try:
        paper = take_apart(data, layout.kind, load_definitions().plausible.paper_most)
        file["exported_at"] = paper.exported_at
        check_header(paper.header, _needed(layout))
    except Unreadable as error:
        file["reason"] = error.reason
        rejected = pl.DataFrame(
            {"file_sha256": [digest], "scope": [RejectScope.FILE.value], "rule": [error.rule.value]}
        )
        return RegistryRead(
            layout.table.empty(),
            REJECTED_ROW.conform(rejected),
            REJECTED_VALUE.empty(),
            file,
            NO_CONTRADICTION,
        )
    unread = unread_columns(paper.header, [cell.name for cell in layout.cells])
    rows, problems, repeated = _sorted_out(paper, layout)
    problems = pl.concat([unread_faults(unread), problems])
    rows = rows.with_columns(exported_at=pl.lit(paper.exported_at), file_sha256=pl.lit(digest))
    problems = problems.with_columns(file_sha256=pl.lit(digest), value_shape=shape_of(pl.col("value")))
    sites = rows["site"].unique().sort().to_list()
    read = len(paper.rows) + len(paper.broken)
    file |= {
        "site": sites[0] if len(sites) == 1 else None,
        "rows_read": read,
        "rows_kept": rows.height,
        "rows_rejected": read - rows.height,
        "cells_rejected": problems.filter(pl.col("scope") == RejectScope.CELL.value).height,
    }
    file["columns_ignored"] = len(unread)
    file["status"], file["reason"] = _status(file, unread_sentence(unread), repeated)
    return RegistryRead(
        layout.table.conform(rows),
        REJECTED_ROW.conform(problems),
        REJECTED_VALUE.conform(problems),
        file,
        contradictions(rows) if layout.kind is RegistryKind.DRAINS else NO_CONTRADICTION,
        tuple(one.name for one in unread),
    )


def _sorted_out(paper: Paper, layout: _Layout) -> tuple[pl.DataFrame, pl.DataFrame, list[str]]:
    """The rows that stand, all that was wrong (`line`, `scope`, `column`, `rule`, `value`), keys' repeats."""
    width = len(paper.header)
    whole = [(line, cells) for line, cells in paper.rows if len(cells) == width]
    misshapen = [
        (line, ",".join(cells), Rule.CELLS_TOO_FEW if len(cells) < width else Rule.CELLS_TOO_MANY)
        for line, cells in paper.rows
        if len(cells) != width
    ]
    stray = [(line, text, Rule.QUOTE_UNREADABLE) for line, text in paper.broken]
    kept, of_cells = typed(_text_frame(paper.header, whole, layout), layout.cells, layout.table)
    kept, of_ends = _backwards(kept, layout)
    named = {cell.target: cell.name for cell in layout.cells}
    repeated = repeats(kept, named) if layout.kind is RegistryKind.DRAINS else []
    kept, of_keys = _last_of_each(kept, layout)
    of_rows = pl.concat([of_cells, of_ends]).filter(~pl.col("line").is_in(of_keys["line"].implode()))
    problems = pl.concat([of_rows, of_keys, _broken_frame([*stray, *misshapen])])
    return kept.sort("line"), problems.sort("line", "column", "rule"), repeated


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


def _status(file: dict[str, Any], unread: str, repeated: Sequence[str]) -> tuple[str, str | None]:
    sentences = []
    if file["rows_rejected"]:
        sentences.append(f"{file['rows_rejected']} of {file['rows_read']} rows were rejected")
    sentences += repeated[:_MOST_REPEATS]
    if len(repeated) > _MOST_REPEATS:
        sentences.append(f"{len(repeated) - _MOST_REPEATS} more keys come again likewise")
    if file["cells_rejected"]:
        cells = file["cells_rejected"]
        read = "1 cell could not be read and is" if cells == 1 else f"{cells} cells could not be read and are"
        sentences.append(f"{read} empty")
    if unread:
        sentences.append(unread)
    if not sentences:
        return FileStatus.LOADED.value, None
    if file["rows_read"] and not file["rows_kept"]:
        return FileStatus.REJECTED.value, "; ".join(sentences) + "."
    return FileStatus.PARTIAL.value, "; ".join(sentences) + "."
