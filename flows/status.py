"""What a ledger holds: files, freshness, rejections, what is running."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from flows.stale import IN_FORCE
from pipeline.store import Home
from pipeline.store.journal import read_journal
from schemas.errors import InputError
from schemas.lake import FILE_NAME, LOAD_FILE, REJECTED_ROW, REJECTED_VALUE, USE_TABLE
from schemas.published import DRAIN
from schemas.vocabulary import FileStatus, RejectScope


@dataclass(frozen=True)
class LedgerStatus:
    """
    A ledger at a glance.

    `sites`: a row a site with devices, files, last export and last minute. `failed`: files that were
    rejected or cut, with their names (private) and reasons.
    """

    home: str
    running: bool
    interrupted_files: int
    files: dict[str, int]
    rows_kept: int
    rows_rejected: int
    cells_rejected: int
    uses: int
    drains: int
    last_load: datetime | None
    published: bool
    bytes_raw: int
    bytes_lake: int
    bytes_database: int
    sites: pl.DataFrame
    failed: pl.DataFrame

    def facts(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        plain = {k: v for k, v in self.__dict__.items() if not isinstance(v, pl.DataFrame)}
        return plain | {"sites": self.sites.to_dicts(), "failed": self.failed.to_dicts()}


def ledger_status(home: Home) -> LedgerStatus:
    """Look at a ledger; reads only."""
    files = home.lake.scan(LOAD_FILE).collect()
    uses = home.lake.scan(USE_TABLE).collect()
    in_force = files.filter(pl.col("status").is_in(IN_FORCE) & pl.col("device").is_not_null())
    last_minutes = uses.group_by("site").agg(last_minute=pl.col("ended_at").max())
    sites = (
        in_force.with_columns(device=pl.col("device").str.split(";"))
        .explode("device")
        .group_by("site")
        .agg(
            devices=pl.col("device").n_unique(),
            files=pl.col("file_sha256").n_unique(),
            last_export=pl.col("exported_at").max(),
        )
        .join(last_minutes, on="site", how="left")
        .sort("site")
    )
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
        uses=uses.height,
        drains=home.lake.scan(DRAIN).select(pl.len()).collect().item(),
        last_load=files["loaded_at"].max(),  # type: ignore[arg-type]
        published=home.database.exists(),
        bytes_raw=home.raw.size_bytes(),
        bytes_lake=home.lake.size_bytes(),
        bytes_database=home.database.stat().st_size if home.database.exists() else 0,
        sites=sites,
        failed=failed,
    )


def rejected_rows(home: Home, file: str | None = None) -> pl.DataFrame:
    """
    Rejected files, rows and cells with names and values, both from the private store.

    Parameters
    ----------
    file
        First digits of a file's SHA-256, or the name it was given under; null: all files.

    Raises
    ------
    InputError
        When no file of that digest or name is known.
    """
    names = _names(home)
    rejected = home.lake.scan(REJECTED_ROW).collect()
    if file is not None:
        wanted = names.filter((pl.col("name") == file) | pl.col("file_sha256").str.starts_with(file.lower()))
        if wanted.height == 0:
            raise InputError(
                f"rejected: no file {file!r} is known; `drainledger status` lists names and digests."
            )
        rejected = rejected.join(wanted, on="file_sha256", how="semi")
    values = home.private_lake.scan(REJECTED_VALUE).collect().unique(["file_sha256", "line", "column"])
    reasons = (
        home.lake.scan(LOAD_FILE)
        .select("file_sha256", "reason", scope=pl.lit(RejectScope.FILE.value))
        .collect()
    )
    return (
        rejected.join(names, on="file_sha256", how="left")
        .join(values, on=["file_sha256", "line", "column"], how="left", nulls_equal=True)
        .join(reasons, on=["file_sha256", "scope"], how="left")
        .select("name", "line", "scope", "column", "rule", "value", "reason", "file_sha256")
        .sort("name", "file_sha256", "line", "column", "rule", "value", nulls_last=False)
    )


def _names(home: Home) -> pl.DataFrame:
    """One name a file, of those it was given under the first in the alphabet."""
    return home.private_lake.scan(FILE_NAME).group_by("file_sha256").agg(pl.col("name").min()).collect()
