"""Taking a log in: from its bytes to committed Parquet, beside a bare Polars read and write of the same bytes."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from flows.loading.intake import take_in
from flows.loading.request import request_for
from pipeline.simulate import write_v1
from pipeline.store import Home
from tests.benchmarks.bench_course import use
from tests.benchmarks.rows import Row, interleaved

NOW = datetime(2033, 1, 1, tzinfo=UTC)  # after the last minute of the longest log


def log_of(minutes: int, device: str) -> bytes:
    """A version-1 log of so many minutes of invented therapy, without traces."""
    rows, _, _ = use(minutes, seed=1)
    columns = rows.with_columns(clock=pl.col("minute").dt.replace_time_zone(None))
    return write_v1(columns, device, NOW, "UTC", "lakeside")


def rows() -> Iterator[Row]:
    """One long log, and as many minutes in files of the size devices write."""
    for files, minutes in ((1, 400_000), (40, 10_000)):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            paths = []
            for number in range(files):
                path = folder / f"log-{number}.csv"
                path.write_bytes(log_of(minutes, f"DV-{number}"))
                paths.append(path)
            size = sum(path.stat().st_size for path in paths)

            def ours(folder: Path = folder, paths: list[Path] = paths) -> None:
                home = Home(folder / "home")
                with home.locked():
                    outcomes = take_in(home, paths, request_for(home), NOW)
                assert all(outcome.clean for outcome in outcomes), outcomes
                shutil.rmtree(home.root)

            def bare(folder: Path = folder, paths: list[Path] = paths) -> None:
                for number, path in enumerate(paths):
                    frame = pl.read_csv(path, comment_prefix="#", infer_schema_length=1000)
                    frame.write_parquet(folder / f"bare-{number}.parquet", compression="zstd")

            ours()
            bare()
            seconds = interleaved({"ours": ours, "bare": bare}, rounds=5)
        what = "one log" if files == 1 else f"{files} logs of {minutes} minutes"
        yield Row(
            f"take in {what}, parse to committed Parquet",
            seconds["ours"] / seconds["bare"],
            "x",
            "polars.read_csv + write_parquet of the same bytes",
            at_most=2.5,
            goal=2.0,
            detail=f"{size / 1e6:.0f} MB, {1e3 * seconds['ours']:.0f} against {1e3 * seconds['bare']:.0f} ms",
        )
