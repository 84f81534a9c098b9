"""How results are printed: tables for people, JSON for scripts, plain lines where there is no terminal."""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from flows.loading.naming import names_apart
from flows.loading.outcome import again_words, named_apart, unended_words
from flows.show.as_json import json_text
from flows.show.broken import broken_lines
from flows.show.plain import plain
from schemas.findings import SET_ASIDE
from schemas.vocabulary import FileStatus

if TYPE_CHECKING:  # what is shown here comes from loads; other commands show without them
    from flows.loading.checking import CheckReport
    from flows.loading.load import Summary
    from flows.loading.outcome import Outcome
    from flows.loading.survey import Found
    from pipeline.store import Home

_MOST_LINES = 20  # about rejected rows a file; all rows with --json
_MOST_COLUMNS = 6  # that a registry file has beyond its layout; all of them with --json
_FINDINGS = "SELECT * FROM data_quality WHERE scope = 'registry'"


def show_json(value: Any) -> None:
    """Print a value as JSON; times as ISO 8601."""
    print(json_text(value))


def show_load(summary: Summary, home: Home, *, as_json: bool, rebuilt: bool = False) -> None:
    """Print what a load, or a rebuild, did."""
    if as_json:
        show_json(
            {
                "files": [o.__dict__ for o in summary.outcomes],
                "finished": [o.__dict__ for o in summary.finished],
                "read_again": [o.__dict__ for o in summary.again],
                "devices_computed": summary.devices,
                "drains_summarised": summary.drains,
                "published": summary.published,
                "registry_findings": dict(summary.findings),
                "profiles_set_aside": list(summary.set_aside),
                "remarks": summary.found.remarks() if not rebuilt else [],
                "database": str(home.database),
            }
        )
        return
    for sentence in summary.set_aside:
        print(f"Set aside, files of its layout wait: {plain(sentence)}")
    for outcome, name in zip(summary.outcomes, named_apart(summary.outcomes), strict=True):
        if outcome.remark is not None:
            print(f"{name}: {outcome.remark}")
        elif outcome.status == FileStatus.REJECTED or not (outcome.known or outcome.clean):
            print(_sentence(outcome, name))
    if summary.again:
        print(f"{again_words(summary.again)}.")
    if summary.finished:
        print(f"{_count(len(summary.finished), 'file')} left half-written by an earlier load: finished.")
    for remark in () if rebuilt else summary.found.remarks():
        print(remark)
    new = summary.new
    kept, cut = sum(o.rows_kept for o in new), sum(o.rows_rejected for o in new)
    rejected = sum(o.status == FileStatus.REJECTED for o in new)
    known = len(summary.outcomes) - len(new)
    said = f"{_count(len(new), 'file')} read again" if rebuilt else _count(len(new), "new file")
    others = "" if rebuilt else f", {known} known already"
    print(
        f"{said} ({rejected} rejected){others}; {kept} rows kept, {cut} rejected; "
        f"{_count(summary.devices, 'device')} computed, {_count(summary.drains, 'drain')} summarised."
    )
    unsaid = sum(o.wholeness_unsaid for o in new)
    if unsaid:
        print(f"{unended_words(unsaid)}: where one breaks off, nothing here can tell.")
    if summary.findings:
        kinds = ", ".join(f"{number} {finding}" for finding, number in summary.findings)
        print(f"Registry against itself and the logs: {kinds}; see {_FINDINGS}")
        aside = [
            f"{SET_ASIDE[finding]} ({number})" for finding, number in summary.findings if finding in SET_ASIDE
        ]
        if aside:
            print(f"Nothing was rejected for it; taken as not recorded: {', '.join(aside)}.")
    print(f"Published: {home.database}" if summary.published else f"Nothing changed in {home.database}")


def show_check(found: Found, reports: Iterable[CheckReport], *, as_json: bool) -> bool:
    """Print what a load would do, file by file as they are read; returns whether all would pass clean."""
    if as_json:
        every = list(reports)
        show_json(
            [
                {
                    "path": _text(r.path),
                    "kind": r.kind,
                    "profile": r.profile,
                    "understood": r.understood,
                    "doubts": list(r.doubts),
                    "columns_ignored": list(r.ignored),
                    "copy_of": _text(r.copy_of),
                    "same_minutes_as": _text(r.same_minutes_as),
                }
                | r.outcome.__dict__
                | {
                    "rejected": r.rejected.to_dicts(),
                    "contradictions": [
                        dict(zip(("line", "finding", "detail"), c, strict=True)) for c in r.contradictions
                    ],
                }
                for r in every
            ]
        )
        return not found.closed and all(r.outcome.clean for r in every)
    for remark in found.remarks():
        print(remark)
    files = clean = kept = read = copies = 0
    names = names_apart(found.files)
    for report in reports:
        files, clean = files + 1, clean + report.outcome.clean
        if report.copy_of is None:
            kept, read = kept + report.outcome.rows_kept, read + report.outcome.rows_read
        else:
            copies += 1
        how = report.kind if report.kind != "log" else f"profile {report.profile or 'unknown'}"
        print(_sentence(report.outcome, names[report.path], how))
        if report.copy_of is not None:
            print(f"    a copy of {names[report.copy_of]}, byte for byte: `load` keeps it once", flush=True)
            continue
        if report.same_minutes_as is not None:
            other = names[report.same_minutes_as]
            print(f"    the same minutes as {other} in other bytes: each minute counts once", flush=True)
        told = report.rejected.filter((pl.col("scope") != "file") | pl.col("value").is_not_null())
        _show_broken(told, _MOST_LINES, "--json lists all")
        for line, finding, detail in report.contradictions[:_MOST_LINES]:
            print(f"    line {line}: {finding}: {detail}")
        if len(report.contradictions) > _MOST_LINES:
            print(f"    and {len(report.contradictions) - _MOST_LINES} more contradictions; --json lists all")
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
    if files:
        once = f" ({_count(copies, 'copy', 'copies')} counted once)" if copies else ""
        total = f"{_count(files, 'file')}{once}, {clean} clean; {kept} of {read} rows would be kept."
        print(f"{total} Nothing was written.")
    return not found.closed and clean == files


def _text(path: Path | None) -> str | None:
    return None if path is None else os.fsencode(path).decode("utf-8", "backslashreplace")


def show_rejected(rows: pl.DataFrame, *, as_json: bool, every: bool = False) -> None:
    """Print rejected files, rows and cells; of a file its first lines, or, if `every`, all."""
    if as_json:
        show_json(rows.to_dicts())
    elif rows.height == 0:
        print("Nothing was rejected.")
    else:
        for name, digest in rows.select("name", "file_sha256").unique(maintain_order=True).rows():
            theirs = rows.filter(pl.col("file_sha256") == digest)
            whole = theirs.filter(pl.col("scope") == "file")
            print(f"{name}  ({digest[:12]})")
            for said in dict.fromkeys(row["reason"] or row["rule"] for row in whole.iter_rows(named=True)):
                print(f"    whole file: {said}")
            for line in broken_lines(whole.filter(pl.col("value").is_not_null())):
                print("    " + line)
            most = None if every else _MOST_LINES
            _show_broken(theirs.filter(pl.col("scope") != "file"), most, f"--file {digest[:12]} shows all")


def _show_broken(rejected: pl.DataFrame, most: int | None, rest: str) -> None:
    """Print what was rejected of a file, alike rows joined; beyond `most` lines say where the rest is."""
    lines = broken_lines(rejected)
    for line in lines[:most]:
        print("    " + line)
    if most is not None and len(lines) > most:
        print(f"    and {len(lines) - most} more; {rest}")


def _sentence(outcome: Outcome, name: str, how: str | None = None) -> str:
    """What became of a file; with `how` (profile or kind) what would become of it."""
    name = name if how is None else f"{name} ({how})"
    would = "" if how is None else "would be "
    reason = f" {outcome.reason}" if outcome.reason else ""
    if outcome.status == FileStatus.REJECTED:
        return f"{name}: {would}rejected.{reason}"
    cells = f", {_count(outcome.cells_rejected, 'cell')} made null" if outcome.cells_rejected else ""
    return f"{name}: {outcome.rows_kept} of {outcome.rows_read} rows {would}kept{cells}.{reason}"


def _when(moment: datetime | None) -> str:
    return "never" if moment is None else moment.strftime("%Y-%m-%d %H:%M UTC")


def _count(number: int, thing: str, things: str | None = None) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {things or thing + 's'}"


def _size(number: int) -> str:
    size = float(number)
    for unit in ("B", "KiB", "MiB", "GiB"):
        if size < 1024 or unit == "GiB":
            return f"{size:.0f} {unit}" if unit == "B" else f"{size:.1f} {unit}"
        size /= 1024
    raise AssertionError
