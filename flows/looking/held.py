"""What a ledger holds, for a look at it: its files with their names, its uses, how many drains."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb

from pipeline.query.lake_rows import lake_height, lake_rows
from pipeline.store import Home

_LOAD_FILE = (
    *("file_sha256", "site", "device", "status", "rows_kept", "rows_rejected", "cells_rejected"),
    *("complete", "reason", "exported_at", "loaded_at"),
)
_USE = ("site", "device", "ended_at")


@dataclass(frozen=True)
class Held:
    """
    Rows of the lake as plain values.

    Parameters
    ----------
    files
        Of `load_file`, by the columns' names.
    uses
        Site, device and end of every use.
    names
        File → a name it was given under, of several the first in the alphabet; private.
    """

    files: list[dict[str, Any]]
    uses: list[tuple[str, str, datetime]]
    drains: int
    names: Mapping[str, str]


def held(home: Home) -> Held:
    """
    What a home holds as its lake stands; reads only.

    A lake on a disk is read by the database's engine, for frames take longer to import than that. One in an
    object store only frames can read; and where the engine cannot, what they say of it is to be told.
    """
    if home.store is None:
        try:
            return _by_the_engine(home)
        except Exception:  # of several engines: the same fault comes again below, in our own words
            return _by_frames(home)
    return _by_frames(home)


def _by_the_engine(home: Home) -> Held:
    lake, private = home.root / "lake", home.private / "lake"
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        files = lake_rows(connection, lake, "load_file", _LOAD_FILE)
        uses = lake_rows(connection, lake, "use", _USE)
        given = lake_rows(connection, private, "file_name", ["file_sha256", "name"])
    names = dict(sorted(given, reverse=True))  # the first in the alphabet comes last, and stays
    return Held(
        [dict(zip(_LOAD_FILE, row, strict=True)) for row in files], uses, lake_height(lake, "drain"), names
    )


def _by_frames(home: Home) -> Held:
    from flows.looking.file_names import file_names
    from schemas.lake import LOAD_FILE, USE_TABLE
    from schemas.published import DRAIN

    files = home.lake.scan(LOAD_FILE).select(_LOAD_FILE).collect().to_dicts()
    uses = home.lake.scan(USE_TABLE).select(_USE).collect().rows()
    drains = home.lake.scan(DRAIN).select("drain_id").collect().height
    return Held(files, uses, drains, dict(file_names(home).select("file_sha256", "name").rows()))
