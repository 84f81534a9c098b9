"""How many bytes a drain's day takes: in the lake, in the database, as it was given, and compressed."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import polars as pl
from deltalake import WriterProperties, write_deltalake

from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE
from pipeline.store import Home
from pipeline.store.encoding import writer_properties
from pipeline.store.lake import Lake
from schemas.derivation import MADE
from schemas.lake import BEDSIDE, COURSE, LOAD_FILE, MINUTE, REJECTED_ROW, TRACE
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
            tried = list(_tried(home.lake))
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
        for table, how, size, seconds, chosen in tried:
            yield Row(
                f"{table} written {how} ({kind})",
                size / chosen,
                "x",
                "the same rows in the encoding that was chosen",
                detail=f"{size / 1e6:.2f} MB; processor {seconds:.2f} s",
            )


def _tried(lake: Lake) -> Iterator[tuple[str, str, int, float, int]]:
    """The largest tables, sorted by their key, in other encodings than the one that was chosen."""
    for table in (MINUTE, TRACE, COURSE, BEDSIDE):
        rows = lake.scan(table).collect().sort(table.key)
        if rows.is_empty():
            continue
        chosen = writer_properties(table)
        columns = chosen.column_properties
        other = {
            "as chosen": chosen,
            "without differences": WriterProperties(compression="ZSTD", compression_level=3),
            "without differences, Snappy": WriterProperties(compression="SNAPPY"),
            "with Zstandard at 1": WriterProperties(
                compression="ZSTD", compression_level=1, column_properties=columns
            ),
            "with Zstandard at 9": WriterProperties(
                compression="ZSTD", compression_level=9, column_properties=columns
            ),
        }
        sizes = {how: _written(rows, properties) for how, properties in other.items()}
        for how, (size, seconds) in sizes.items():
            yield table.name, how, size, seconds, sizes["as chosen"][0]


def _written(rows: pl.DataFrame, properties: WriterProperties) -> tuple[int, float]:
    with tempfile.TemporaryDirectory() as folder:
        start = time.process_time()
        write_deltalake(folder, rows, writer_properties=properties)
        seconds = time.process_time() - start
        return sum(path.stat().st_size for path in Path(folder).glob("*.parquet")), seconds


def _bytes(lake: Lake, table: Table) -> int:
    """Of the Parquet files that make the table now."""
    return sum(Path(file).stat().st_size for file in lake.files(table))
