"""What a ledger holds: files, freshness, rejections, runs, what waits, what is running."""

from __future__ import annotations

import os
import shutil
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from flows.loading.meaning import files_meant
from flows.loading.naming import names_apart
from flows.looking.freshness import device_freshness, site_freshness
from flows.looking.reconciled import reconciled
from flows.nights.landing import REASONS
from flows.nights.runs import Run, last_runs
from flows.nights.schedule import upcoming
from pipeline.marts import readable
from pipeline.store import Home
from pipeline.store.journal import read_journal
from pipeline.store.permissions import Loose, loose
from pipeline.store.seen import Fate, read_sights
from schemas.lake import FILE_NAME, LOAD_FILE, REJECTED_ROW, REJECTED_VALUE, USE_TABLE
from schemas.published import DRAIN
from schemas.vocabulary import FileStatus, RejectScope

_RUNS = 20  # on record in `status`


@dataclass(frozen=True)
class LedgerStatus:
    """
    A ledger at a glance.

    `sites`, `devices`: when each was last heard of, the longest silent first. `failed`: files that were
    rejected or cut, with their names (private) and reasons. `waiting`: what the last night left in the
    landing folder or could not read, likewise. `runs`: the last ones, newest first. `schedule`: what is
    served and when it runs next. `unended`: logs in force that do not say whether they are whole.
    `published`: whether there is a database that can be read. `findings`, `withdrawn`, `erasures`: as in
    `reconciled`. `open_to_others`: what of the home is not its owner's alone.
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
    sites: pl.DataFrame
    devices: pl.DataFrame
    failed: pl.DataFrame
    waiting: pl.DataFrame
    findings: pl.DataFrame
    withdrawn: pl.DataFrame
    erasures: pl.DataFrame
    runs: list[Run]
    schedule: dict[str, Any] | None
    open_to_others: tuple[Loose, ...]

    def facts(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        frames = {k: v.to_dicts() for k, v in self.__dict__.items() if isinstance(v, pl.DataFrame)}
        runs = [asdict(run) | {"killed": run.killed} for run in self.runs]
        loose = [asdict(one) | {"path": str(one.path)} for one in self.open_to_others]
        return self.__dict__ | frames | {"runs": runs, "open_to_others": loose}


def ledger_status(home: Home, now: datetime) -> LedgerStatus:
    """
    Look at a ledger; reads only.

    Parameters
    ----------
    now
        What silence is counted to, and the next run from.
    """
    files = home.lake.scan(LOAD_FILE).collect()
    uses = home.lake.scan(USE_TABLE).select("site", "device", "ended_at").collect()
    devices = device_freshness(files, uses, now)
    failed = (
        files.filter(
            (pl.col("status") != FileStatus.LOADED.value) & (pl.col("status") != FileStatus.WITHDRAWN.value)
        )
        .join(_names(home), on="file_sha256", how="left")
        .select("name", "status", "rows_kept", "rows_rejected", "reason", "file_sha256")
        .sort("status", "name", "file_sha256")
    )
    return LedgerStatus(
        home=str(home.root),
        running=home.load_in_progress(),
        interrupted_files=len(read_journal(home.journal)),
        files={s.value: files.filter(pl.col("status") == s.value).height for s in FileStatus},
        rows_kept=int(files["rows_kept"].sum()),
        rows_rejected=int(files["rows_rejected"].sum()),
        cells_rejected=int(files["cells_rejected"].sum()),
        unended=files.filter(
            pl.col("device").is_not_null()
            & (pl.col("rows_kept") > 0)
            & pl.col("complete").is_null()
            & (pl.col("status") != FileStatus.WITHDRAWN.value)
        ).height,
        uses=uses.height,
        drains=home.lake.scan(DRAIN).select(pl.len()).collect().item(),
        last_load=files["loaded_at"].max(),  # type: ignore[arg-type]
        published=readable(home.database),
        bytes_raw=home.raw.size_bytes(),
        bytes_lake=home.lake.size_bytes(),
        bytes_database=home.database.stat().st_size if home.database.exists() else 0,
        bytes_private=_bytes_below(home.private),
        bytes_free=_bytes_free(home.root),
        sites=site_freshness(devices, files),
        devices=devices,
        failed=failed,
        waiting=_waiting(home),
        **reconciled(home).__dict__,
        runs=last_runs(home, _RUNS),
        schedule=upcoming(home.private, now),
        open_to_others=tuple(loose(home)),
    )


def _waiting(home: Home) -> pl.DataFrame:
    """What was seen in the landing folder and not taken in, and files that could not be read."""
    sights = [s for s in read_sights(home.private).values() if s.fate not in (Fate.HELD, Fate.REJECTED)]
    names = names_apart(sight.path for sight in sights)
    rows = [
        (names[s.path], s.fate.value, REASONS.get(s.why, f"could not be read ({s.why})"), s.since)
        for s in sights
    ]
    schema: dict[str, Any] = {
        "name": pl.String,
        "fate": pl.String,
        "why": pl.String,
        "since": pl.Datetime("us", "UTC"),
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort("fate", "since", "name")


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


def rejected_rows(home: Home, file: str | None = None) -> pl.DataFrame:
    """
    Rejected files, rows and cells with names and values, both from the private store.

    Parameters
    ----------
    file
        First digits of a file's SHA-256, the name it was given under, or a path to it; null: all files.

    Raises
    ------
    CallError
        When no file of that digest or name is known.
    """
    names = _names(home)
    called = _apart(home, names)
    rejected = home.lake.scan(REJECTED_ROW).collect()
    if file is not None:
        rejected = rejected.filter(pl.col("file_sha256").is_in(files_meant(home, file)))
    values = home.private_lake.scan(REJECTED_VALUE).collect().unique(["file_sha256", "line", "column"])
    reasons = (
        home.lake.scan(LOAD_FILE)
        .select("file_sha256", "reason", scope=pl.lit(RejectScope.FILE.value))
        .collect()
    )
    return (
        rejected.join(called, on="file_sha256", how="left")
        .join(values, on=["file_sha256", "line", "column"], how="left", nulls_equal=True)
        .join(reasons, on=["file_sha256", "scope"], how="left")
        .select("name", "line", "scope", "column", "rule", "value", "reason", "file_sha256")
        .sort("name", "file_sha256", "line", "column", "rule", "value", nulls_last=False)
    )


def _apart(home: Home, names: pl.DataFrame) -> pl.DataFrame:
    """The names; of several files with one, each by the end of its path where a night saw it lie."""
    shared = set(names.filter(pl.col("name").is_duplicated())["file_sha256"])
    if not shared:
        return names
    places = {s.digest: s.path for s in read_sights(home.private).values() if s.digest in shared}
    apart = names_apart(places.values())
    called = pl.DataFrame(
        [(digest, apart[path]) for digest, path in places.items()],
        schema={"file_sha256": pl.String, "apart": pl.String},
        orient="row",
    )
    found = names.join(called, on="file_sha256", how="left")
    return found.select("file_sha256", name=pl.coalesce("apart", "name"))


def _names(home: Home) -> pl.DataFrame:
    """One name a file, of those it was given under the first in the alphabet."""
    return home.private_lake.scan(FILE_NAME).group_by("file_sha256").agg(pl.col("name").min()).collect()
