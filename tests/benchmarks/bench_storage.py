"""How many bytes a drain's day takes: in the lake, in the database, as it was given, and compressed."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from flows.computing import DEVICE_TABLES, DRAIN_STAGE
from pipeline.store import Home
from pipeline.store.lake import Lake
from schemas.derivation import MADE
from schemas.lake import LOAD_FILE, MINUTE, REJECTED_ROW, TRACE
from schemas.published import DRAIN
from schemas.table import Table
from tests.benchmarks.fleet import copies, drainledger, fleet
from tests.benchmarks.rows import Row

SIMULATED, TIMES = 100, 2
AS_LOADED = (MINUTE, TRACE, LOAD_FILE, REJECTED_ROW)
DERIVED = (*DEVICE_TABLES, *DRAIN_STAGE, MADE)
MINUTES_A_DAY = 1440


def rows() -> Iterator[Row]:
    """A fleet without traces and one with a 30 s trace every 5 minutes, each loaded at once."""
    for kind, every in (("envelope only", None), ("a 30 s trace every 5 minutes", 5)):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            made = copies(
                fleet(folder / "fleet", SIMULATED, traces_every_min=every), folder / "copies", TIMES
            )
            home = Home(folder / "home")
            drainledger(home.root, "load", made.logs, made.registry)
            days = (
                home.lake.scan(DRAIN).select(pl.col("minutes_observed").sum()).collect().item()
                / MINUTES_A_DAY
            )
            loaded, derived = (sum(_bytes(home.lake, t) for t in tables) for tables in (AS_LOADED, DERIVED))
            sizes = {t.name: _bytes(home.lake, t) / days for t in (*AS_LOADED, *DERIVED)}
            database = home.database.stat().st_size
        largest = sorted(sizes.items(), key=lambda one: -one[1])[:5]
        for what, size, beside in (
            ("the lake, as loaded", loaded, "the exports, each compressed with gzip"),
            ("the lake, derived", derived, "the exports, each compressed with gzip"),
            ("the database", database, "the exports, each compressed with gzip"),
        ):
            yield Row(
                f"bytes a drain-day, {what} ({kind})",
                size / days,
                "B",
                f"{beside}: {made.bytes_gzipped / days:.0f} B; uncompressed: {made.bytes_raw / days:.0f} B",
                detail=f"{SIMULATED * TIMES} drains, {days:.0f} drain-days; overlapping exports count as given",
            )
        yield Row(
            f"the whole lake against the exports ({kind})",
            (loaded + derived) / made.bytes_gzipped,
            "x",
            "the exports, each compressed with gzip",
            detail="largest: " + ", ".join(f"{table} {size:.0f} B a drain-day" for table, size in largest),
        )


def _bytes(lake: Lake, table: Table) -> int:
    """Of the Parquet files that make the table now."""
    return sum(Path(file).stat().st_size for file in lake.files(table))
