"""How `check` prints what a load would do, file by file as they are read."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from flows.loading.checking import CheckReport, far_files
from flows.loading.forced import forced_words
from flows.loading.held import NOTHING_HELD, Held
from flows.loading.naming import names_apart
from flows.show.fates import MOST_LINES, counted, fate, show_broken
from flows.show.plain import plain
from flows.show.results import show_json
from schemas.vocabulary import FileStatus

if TYPE_CHECKING:
    from flows.loading.survey import Found

_MOST_COLUMNS = 6  # that a registry file has beyond its layout; all of them with --json


def show_check(
    found: Found,
    reports: Iterable[CheckReport],
    held: Mapping[str, Held] = NOTHING_HELD,
    *,
    as_json: bool,
) -> bool:
    """Print what a load would do, file by file as they are read; returns whether all would pass clean."""
    if as_json:
        every = list(reports)
        far = far_files(every, held)
        show_json([_told(report, far.get(report.path)) for report in every])
        return not found.closed and all(r.clean for r in every)
    for remark in found.remarks():
        print(remark)
    names = names_apart(found.files)
    seen: list[CheckReport] = []
    for report in reports:
        seen.append(report)
        _show_file(report, names)
    for path, said in far_files(seen, held).items():
        print(f"{names[path]} is doubtful: {said}")
    if (forced := forced_words([r.outcome for r in seen], [names[r.path] for r in seen])) is not None:
        print(forced)
    if seen:
        print(f"{_total(seen)} Nothing was written.")
    return not found.closed and all(r.clean for r in seen)


def _show_file(report: CheckReport, names: dict[Path, str]) -> None:
    if not _show_fate(report, names[report.path]):
        return
    if report.copy_of is not None:
        print(f"    a copy of {names[report.copy_of]}, byte for byte: `load` keeps it once", flush=True)
        return
    if report.same_minutes_as is not None:
        other = names[report.same_minutes_as]
        print(f"    the same minutes as {other} in other bytes: each minute counts once", flush=True)
    told = report.rejected.filter((pl.col("scope") != "file") | pl.col("value").is_not_null())
    show_broken(told, MOST_LINES, "--json lists all")
    for line, finding, detail in report.contradictions[:MOST_LINES]:
        print(f"    line {line}: {finding}: {detail}")
    if len(report.contradictions) > MOST_LINES:
        print(f"    and {len(report.contradictions) - MOST_LINES} more contradictions; --json lists all")
    if report.ignored and report.kind == "log":
        print(f"    not read, for the profile does not name them: {', '.join(report.ignored)}")
    elif report.ignored:
        more = len(report.ignored) - _MOST_COLUMNS
        unread = ", ".join(report.ignored[:_MOST_COLUMNS]) + (f" and {more} more" if more > 0 else "")
        print(f"    not read, for the layout does not have them: {plain(unread)}")
    if report.understood:
        print(f"    understood: {report.understood}", flush=True)
    for doubt in report.doubts:
        print(f"    doubtful: {plain(doubt)}", flush=True)


def _show_fate(report: CheckReport, name: str) -> bool:
    """Print the file's own line; returns whether its rows as read now mean anything for the ledger."""
    held, read = report.held, report.outcome
    if held is None or held.waits:
        how = report.kind if report.kind != "log" else f"profile {report.profile or 'unknown'}"
        print(fate(read, name, how) + ("" if held is None else f" It is {held.sentence}"), flush=True)
        return True
    how = report.kind if report.kind != "log" else f"profile {held.profile or 'unknown'}"
    print(f"{name} ({how}): {held.sentence}", flush=True)
    now = (report.profile, read.rows_kept, read.rows_read)
    if now == (held.profile, held.rows_kept, held.rows_read):
        return True
    if not (held.again or read.forced):
        return False
    with_it = f"    read with profile {report.profile}"
    if read.status == FileStatus.REJECTED:
        print(f"{with_it} it would be rejected. {read.reason}", flush=True)
    else:
        how = "" if held.again else f"; `drainledger reread {held.file_sha256[:12]} --profile …` reads it so"
        print(f"{with_it} {read.rows_kept} of {read.rows_read} rows would be kept{how}", flush=True)
    return True


def _total(seen: Sequence[CheckReport]) -> str:
    """How many files, the copies among them and those that are known already apart."""
    copies = sum(r.copy_of is not None for r in seen)
    new = [r for r in seen if not r.passed_over]
    once = f" ({counted(copies, 'copy', 'copies')} counted once)" if copies else ""
    known = len(seen) - len(new)
    counts = [r.outcome for r in new if r.copy_of is None]
    files = counted(len(new), "new file" if known else "file")
    kept, read = sum(o.rows_kept for o in counts), sum(o.rows_read for o in counts)
    apart = f"; {known} known already" if known else ""
    return f"{files}{once}, {sum(r.clean for r in new)} clean; {kept} of {read} rows would be kept{apart}."


def _told(report: CheckReport, far: str | None) -> dict[str, Any]:
    return (
        {
            "path": _text(report.path),
            "kind": report.kind,
            "profile": report.profile,
            "understood": report.understood,
            "columns_ignored": list(report.ignored),
            "copy_of": _text(report.copy_of),
            "same_minutes_as": _text(report.same_minutes_as),
            "held": None if report.held is None else report.held.told(),
        }
        | report.outcome.__dict__
        | {
            "doubts": [*report.doubts, *([far] if far else [])],
            "rejected": report.rejected.to_dicts(),
            "contradictions": [
                dict(zip(("line", "finding", "detail"), c, strict=True)) for c in report.contradictions
            ],
        }
    )


def _text(path: Path | None) -> str | None:
    return None if path is None else os.fsencode(path).decode("utf-8", "backslashreplace")
