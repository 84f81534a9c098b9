"""What a ledger holds: files, freshness, rejections, runs, what waits, what is running."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from flows.looking.freshness import device_freshness, site_freshness
from flows.looking.held import held
from flows.looking.published import looked_at
from flows.looking.reconciled import erased, withdrawn
from flows.nights.runs import Run, last_runs
from flows.nights.schedule import upcoming
from pipeline.query.rows import Rows, nulls_first
from pipeline.store import Home
from pipeline.store.journal import read_journal
from pipeline.store.permissions import Loose, loose
from pipeline.store.place import place_of
from pipeline.store.seen import Fate, read_sights
from schemas.vocabulary import FileStatus

_RUNS = 20  # on record in `status`


@dataclass(frozen=True)
class LedgerStatus:
    """
    A ledger at a glance.

    `sites`, `devices`: when each was last heard of, the longest silent first. `failed`: files that were
    rejected or cut, with their names (private) and reasons. `waiting`: what the last night left in the
    landing folder or could not read, likewise. `runs`: the last ones, newest first. `schedule`: what is
    served and when it runs next. `unended`: logs in force that do not say whether they are whole.
    `published`: whether there is a database that can be read; `findings`: as in `Published`. `withdrawn`:
    files that do not count any more; `erasures`: a row a record. `open_to_others`: what of the home is not
    its owner's alone.
    """

    home: str
    running: bool
    interrupted_files: int
    files: dict[str, int]
    rows_kept: int
    rows_rejected: int
    cells_rejected: int
    unended: int
    uses: int
    drains: int
    last_load: datetime | None
    published: bool
    bytes_raw: int
    bytes_lake: int
    bytes_database: int
    bytes_private: int
    bytes_free: int | None
    sites: Rows
    devices: Rows
    failed: Rows
    waiting: Rows
    findings: Rows
    withdrawn: Rows
    erasures: Rows
    runs: list[Run]
    schedule: dict[str, Any] | None
    open_to_others: tuple[Loose, ...]

    def facts(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        tables = {k: v.dicts() for k, v in self.__dict__.items() if isinstance(v, Rows)}
        runs = [asdict(run) | {"killed": run.killed} for run in self.runs]
        loose = [asdict(one) | {"path": str(one.path)} for one in self.open_to_others]
        return self.__dict__ | tables | {"runs": runs, "open_to_others": loose}


def ledger_status(home: Home, now: datetime) -> LedgerStatus:
    """
    Look at a ledger; reads only.

    The database and the lake are looked at side by side.

    Parameters
    ----------
    now
        What silence is counted to, and the next run from.
    """
    with looked_at(home.database) as looking:
        found = held(home)
        counted = [file for file in found.files if file["status"] != FileStatus.WITHDRAWN]
        out = [file["file_sha256"] for file in found.files if file["status"] == FileStatus.WITHDRAWN]
        devices = device_freshness(found.files, found.uses, now)
        return LedgerStatus(
            home=str(home.root),
            running=home.load_in_progress(),
            interrupted_files=len(read_journal(home.journal)),
            files={s.value: sum(file["status"] == s for file in found.files) for s in FileStatus},
            rows_kept=sum(file["rows_kept"] or 0 for file in found.files),
            rows_rejected=sum(file["rows_rejected"] or 0 for file in found.files),
            cells_rejected=sum(file["cells_rejected"] or 0 for file in found.files),
            unended=sum(
                file["device"] is not None and (file["rows_kept"] or 0) > 0 and file["complete"] is None
                for file in counted
            ),
            uses=len(found.uses),
            drains=found.drains,
            last_load=max(
                (file["loaded_at"] for file in found.files if file["loaded_at"] is not None), default=None
            ),
            bytes_raw=home.raw.size_bytes(),
            bytes_lake=sum(place_of(home.lake_lies).sizes().values()),
            bytes_database=home.database.stat().st_size if home.database.exists() else 0,
            bytes_private=_bytes_below(home.private),
            bytes_free=_bytes_free(home.root),
            sites=site_freshness(devices, found.files),
            devices=devices,
            failed=_failed(counted, found.names),
            waiting=_waiting(home),
            withdrawn=withdrawn(home, out),
            erasures=erased(home),
            runs=last_runs(home, _RUNS),
            schedule=upcoming(home.private, now),
            open_to_others=tuple(loose(home)),
            published=looking.result().readable,
            findings=looking.result().findings,
        )


def _failed(files: list[dict[str, Any]], names: Mapping[str, str]) -> Rows:
    """Files that were not simply loaded."""
    rows = [
        (
            names.get(file["file_sha256"]),
            *(file[name] for name in ("status", "rows_kept", "rows_rejected", "reason", "file_sha256")),
        )
        for file in files
        if file["status"] != FileStatus.LOADED
    ]
    columns = ("name", "status", "rows_kept", "rows_rejected", "reason", "file_sha256")
    numbers = (False, False, True, True, False, False)
    return Rows(columns, numbers, False, sorted(rows, key=lambda row: nulls_first(row[1], row[0], row[5])))


def _waiting(home: Home) -> Rows:
    """What was seen in the landing folder and not taken in, and files that could not be read."""
    sights = [s for s in read_sights(home.private).values() if s.fate not in (Fate.HELD, Fate.REJECTED)]
    rows: list[tuple[Any, ...]] = []
    if sights:
        from flows.loading.naming import names_apart
        from flows.nights.landing import REASONS

        names = names_apart(sight.path for sight in sights)
        rows = [
            (names[s.path], s.fate.value, REASONS.get(s.why, f"could not be read ({s.why})"), s.since)
            for s in sights
        ]
    rows.sort(key=lambda row: nulls_first(row[1], row[3], row[0]))
    return Rows(("name", "fate", "why", "since"), [False] * 4, True, rows)


def _bytes_below(folder: Path) -> int:
    size, folders = 0, [os.fspath(folder)]
    while folders:
        try:
            with os.scandir(folders.pop()) as entries:
                for entry in entries:
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(entry.path)
                    else:
                        size += entry.stat(follow_symlinks=False).st_size
        except OSError:  # gone since, or not ours to look into
            continue
    return size


def _bytes_free(root: Path) -> int | None:
    try:
        return shutil.disk_usage(root).free
    except OSError:
        return None
