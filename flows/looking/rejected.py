"""What was rejected, with names and values: for the house."""

from __future__ import annotations

import polars as pl

from flows.loading.meaning import files_meant
from flows.looking.file_names import names_told_apart
from pipeline.store import Home
from schemas.lake import LOAD_FILE, REJECTED_ROW, REJECTED_VALUE
from schemas.vocabulary import RejectScope


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
    called = names_told_apart(home)
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
