"""A ledger at a glance, for people: what runs, how fresh it is, what failed and why, what waits, the disk."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from flows.loading.findings import DOES_NOT_ADD_UP
from flows.loading.outcome import unended_words
from flows.looking.status import LedgerStatus
from flows.nights.runs import Run
from flows.show.as_json import json_text
from flows.show.plain import plain
from flows.show.rows import hung, print_table
from pipeline.query.rows import Rows

_DEVICES, _RUNS, _WAITING, _FAILED = 10, 5, 20, 20  # rows a person is shown; --json gives all
_DIGEST = 12  # signs of a digest
_UNDER = 13  # where the facts of a line begin, behind its name
_EXITS = {0: "done", 1: "done, some input rejected", 2: "wrong call", 3: "failed"}


def show_status(status: LedgerStatus, *, as_json: bool) -> None:
    """Print a ledger at a glance."""
    if as_json:
        print(json_text(status.facts()))
        return
    print(f"Home {status.home}: {_now_running(status)}")
    if status.interrupted_files and not status.running:
        print(f"  An earlier load left {_count(status.interrupted_files, 'file')} half-written: load again.")
    files = ", ".join(f"{n} {s}" for s, n in status.files.items() if n) or "none"
    unended = f"; {unended_words(status.unended)}" if status.unended else ""
    _tell(f"  files      {files}{unended}; last taken in {_when(status.last_load)}")
    _tell(
        f"  rows       {status.rows_kept} kept, {status.rows_rejected} rejected, "
        f"{status.cells_rejected} cells made null"
    )
    _tell(f"  published  {_published(status)}: {status.uses} uses, {status.drains} drains")
    _tell(
        f"  disk       raw {_size(status.bytes_raw)}, lake {_size(status.bytes_lake)}, "
        f"database {_size(status.bytes_database)}, private {_size(status.bytes_private)}, "
        f"free {_size(status.bytes_free)}"
    )
    _tell(f"  next run   {_next(status.schedule)}")
    for one in status.open_to_others:
        _tell(f"  open       {plain(str(one.path))} {one.what}; {plain(one.cure)}")
    _show_runs(status.runs)
    _show(status.sites, "Sites, the longest silent first", len(status.sites.rows), "sites")
    _show(status.devices, "Devices, the longest silent first", _DEVICES, "devices")
    _show(status.waiting, "In the landing folder, not taken in", _WAITING, "files")
    _show(_short(status.failed, "file_sha256"), "Not simply loaded", _FAILED, "files")
    found = status.findings
    _show(found, f"{DOES_NOT_ADD_UP} (table data_quality)", len(found.rows), "findings")
    _show(_short(status.withdrawn, "digest"), "Withdrawn", _FAILED, "files")
    _show(status.erasures, "Erased, on record in private/erased", _FAILED, "records")


def _tell(line: str) -> None:
    print(hung(line, _UNDER))


def _published(status: LedgerStatus) -> str:
    if status.published or not status.bytes_database:
        return "yes" if status.published else "no"
    return "damaged, and made anew by the next load or night"


def _now_running(status: LedgerStatus) -> str:
    if not status.running:
        return "no load is running"
    run = next((run for run in status.runs if run.exit is None and not run.killed), None)
    if run is None:
        return "a load is running"
    return f"a {run.kind} is running (process {run.process}, since {run.started_at})"


def _next(schedule: dict[str, Any] | None) -> str:
    if schedule is None:
        return "none is served from here; cron may run `drainledger nightly`"
    served = f"{schedule['cron']} {schedule['timezone']}, served by process {schedule['process']}"
    return f"{_when(schedule['next'])} ({served})"


def _show_runs(runs: list[Run]) -> None:
    if not runs:
        return
    print("Last runs")
    for run in runs[:_RUNS]:
        took = "" if run.took_seconds is None else f", {run.took_seconds:.0f} s"
        how = "killed" if run.killed else "running" if run.exit is None else _EXITS.get(run.exit, "failed")
        said = f": {plain(run.said)}" if run.said else ""
        began = f"  {run.started_at}  {run.kind}  "
        print(hung(f"{began}{how}{took}{said}", len(began)))


def _show(found: Rows, title: str, most: int, things: str) -> None:
    if not found.rows:
        return
    print_table(found.first(most), title)
    if len(found.rows) > most:
        print(f"  and {len(found.rows) - most} more {things}; --json lists all")


def _short(found: Rows, digest: str) -> Rows:
    """The same with the first signs of a column's digests."""
    place = found.columns.index(digest)
    cut = [(*row[:place], row[place][:_DIGEST], *row[place + 1 :]) for row in found.rows]
    return replace(found, rows=cut)


def _when(moment: datetime | None) -> str:
    return "never" if moment is None else moment.strftime("%Y-%m-%d %H:%M UTC")


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def _size(number: int | None) -> str:
    if number is None:
        return "unknown"
    size = float(number)
    for unit in ("B", "KiB", "MiB", "GiB"):
        if size < 1024 or unit == "GiB":
            return f"{size:.0f} {unit}" if unit == "B" else f"{size:.1f} {unit}"
        size /= 1024
    raise AssertionError
