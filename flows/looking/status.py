"""What a ledger holds: files, freshness, rejections, runs, what waits, what is running."""

from __future__ import annotations

import os
import shutil
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flows.looking.published import looked_at
from flows.nights.runs import Run, last_runs
from flows.nights.schedule import upcoming
from pipeline.query.rows import Rows
from pipeline.store import Home
from pipeline.store.journal import read_journal
from pipeline.store.permissions import Loose, loose
from pipeline.store.seen import Fate, read_sights
from schemas.vocabulary import FileStatus

if TYPE_CHECKING:  # imported while the engine reads the database, see `ledger_status`
    import polars as pl

_RUNS = 20  # on record in `status`


@dataclass(frozen=True)
class LedgerStatus:
    """
    A ledger at a glance.

    `sites`, `devices`: when each was last heard of, the longest silent first. `failed`: files that were
    rejected or cut, with their names (private) and reasons. `waiting`: what the last night left in the
    landing folder or could not read, likewise. `runs`: the last ones, newest first. `schedule`: what is
    served and when it runs next. `unended`: logs in force that do not say whether they are whole.
    `published`: whether there is a database that can be read; `findings`: as in `Published`. `withdrawn`,
    `erasures`: as in `Reconciled`. `open_to_others`: what of the home is not its owner's alone.
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
    findings: Rows
    withdrawn: pl.DataFrame
    erasures: pl.DataFrame
    runs: list[Run]
    schedule: dict[str, Any] | None
    open_to_others: tuple[Loose, ...]

    def facts(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        import polars as pl

        frames = {k: v.to_dicts() for k, v in self.__dict__.items() if isinstance(v, pl.DataFrame)}
        frames["findings"] = self.findings.dicts()
        runs = [asdict(run) | {"killed": run.killed} for run in self.runs]
        loose = [asdict(one) | {"path": str(one.path)} for one in self.open_to_others]
        return self.__dict__ | frames | {"runs": runs, "open_to_others": loose}


def ledger_status(home: Home, now: datetime) -> LedgerStatus:
    """
    Look at a ledger; reads only.

    The database and the lake are looked at side by side. What reads the lake is imported here for that
    reason: it takes as long as the engine does with the database.

    Parameters
    ----------
    now
        What silence is counted to, and the next run from.
    """
    with looked_at(home.database) as looking:
        import polars as pl

        from flows.looking.file_names import file_names
        from flows.looking.freshness import device_freshness, site_freshness
        from flows.looking.reconciled import reconciled
        from schemas.lake import LOAD_FILE, USE_TABLE
        from schemas.published import DRAIN

        files = home.lake.scan(LOAD_FILE).collect()
        uses = home.lake.scan(USE_TABLE).select("site", "device", "ended_at").collect()
        devices = device_freshness(files, uses, now)
        failed = (
            files.filter(
                (pl.col("status") != FileStatus.LOADED.value)
                & (pl.col("status") != FileStatus.WITHDRAWN.value)
            )
            .join(file_names(home), on="file_sha256", how="left")
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
            published=looking.result().readable,
            findings=looking.result().findings,
        )


def _waiting(home: Home) -> pl.DataFrame:
    """What was seen in the landing folder and not taken in, and files that could not be read."""
    import polars as pl

    from flows.loading.naming import names_apart
    from flows.nights.landing import REASONS

    sights = [s for s in read_sights(home.private).values() if s.fate not in (Fate.HELD, Fate.REJECTED)]
    names = names_apart(sight.path for sight in sights)
    rows = [
        (names[s.path], s.fate.value, REASONS.get(s.why, f"could not be read ({s.why})"), s.since)
        for s in sights
    ]
    schema = {"name": pl.String, "fate": pl.String, "why": pl.String, "since": pl.Datetime("us", "UTC")}
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
