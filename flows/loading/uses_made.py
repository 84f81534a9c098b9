"""What each use of a device was made from, so that a night leaves those be that nothing has moved."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import polars as pl

from pipeline.course.resolve import Resolved
from pipeline.provenance import digest_groups
from pipeline.store import Home
from schemas.derivation import UNKNOWN
from schemas.lake import USE_TABLE

DEVICE_OWNER = pl.format("{}:{}", "site", "device")

# What a use's course was made from, part by part; definitions and code are its device's.
USE_PARTS = ("files", "registry", "annotations")
USES_MADE = {"owner": pl.String(), "use_id": pl.String(), **dict.fromkeys(USE_PARTS, pl.String())}


def uses_made(resolved: Resolved, cuts: pl.DataFrame, notes: pl.DataFrame) -> pl.DataFrame:
    """What the course of each use rests on but definitions and code (USES_MADE)."""
    said = dict(
        zip(
            USE_PARTS,
            (digest_groups(rows, "use_id") for rows in (resolved.minutes, cuts, notes)),
            strict=True,
        )
    )
    return resolved.uses.select(
        "use_id",
        owner=DEVICE_OWNER,
        **{
            part: pl.col("use_id").replace_strict(digests, default="", return_dtype=pl.String)
            for part, digests in said.items()
        },
    ).select(list(USES_MADE))


def may_stand(
    home: Home, made: pl.DataFrame, todo: Collection[str], wanted: Mapping[str, Mapping[str, str]]
) -> pl.DataFrame:
    """
    Notes of the uses (USES_MADE) of devices to compute, where what they were read from alone may have moved.

    Parameters
    ----------
    made
        MADE of the devices and their uses, as noted now.
    wanted
        What the devices are to be made from, part by part.
    """
    steady = [
        row["subject"]
        for row in made.filter(pl.col("stage") == "device").iter_rows(named=True)
        if row["subject"] in todo
        and row["files"] != UNKNOWN
        and all(row[part] == wanted[row["subject"]][part] for part in ("definitions", "code"))
    ]
    uses = home.lake.scan(USE_TABLE).select("use_id", owner=DEVICE_OWNER)
    theirs = uses.collect().filter(pl.col("owner").is_in(steady))
    noted = made.filter(pl.col("stage") == "use").rename({"subject": "use_id"})
    return theirs.join(noted, on="use_id").select(list(USES_MADE))
