"""From lines of overlapping exports to the observed minutes of each device use, in UTC."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.course.carried_steps import with_carried_steps
from pipeline.course.clock import date_rows
from pipeline.course.epochs import number_epochs
from pipeline.course.mixed_exports import with_counter_epochs
from pipeline.course.order import in_order
from pipeline.course.overlaps import merge_exports
from pipeline.course.quality import count_days
from pipeline.course.uses import list_uses, name_uses
from pipeline.course.zones import MINUTE_US, official_offsets
from pipeline.definitions import Definitions
from schemas.errors import InputError
from schemas.lake import QUALITY_DAY, READINGS, RESOLVED, USE_TABLE
from schemas.table import INSTANT

_READINGS = [column.name for column in READINGS]


@dataclass(frozen=True)
class Resolved:
    """What the exports of some devices say together."""

    minutes: pl.DataFrame  # RESOLVED, sorted by use and minute
    uses: pl.DataFrame  # USE_TABLE, sorted by use
    quality: pl.DataFrame  # QUALITY_DAY, sorted by device and day


def resolve(
    minutes: pl.DataFrame, traces: pl.DataFrame, files: pl.DataFrame, definitions: Definitions
) -> Resolved:
    """
    Merge all exports of some devices into one row an observed minute, in UTC, use by use.

    A row is the same in two exports if it has the same device, counter epoch, session and record (without
    a record in one or both: the same minute of the same lap of the wall clock). Copies are merged field by
    field, rows put in the order of the counter, their wall clocks turned into UTC, and each (device, session)
    split into uses at long holes. Where the clock was set back, two rows share a minute: the later one is
    shown, the minute marked, the hidden row counted.

    The result for a device depends on its own lines alone: not on other devices in the batch, nor on the
    order of rows or files, nor on how its log was cut into exports.

    Parameters
    ----------
    minutes, traces
        MINUTE and TRACE rows of any set of whole devices.
    files
        The LOAD_FILE rows of those files.
    definitions
        `uses.hole` and `overlap` are what decides here.

    Raises
    ------
    InputError
        When a file has no row in `files`, or that row lacks the export's time or the clock's zone.
    """
    if minutes.is_empty():
        return Resolved(RESOLVED.empty(), USE_TABLE.empty(), QUALITY_DAY.empty())
    devices, lines, ranked = number_lines(minutes, traces, files, definitions)
    latest = _latest_export(lines, ranked)
    traces = traces.select("rate_hz", "samples_cmh2o")
    rows, readings = merge_exports(lines, minutes.select(_READINGS), traces)
    rows = _grid(with_counter_epochs(with_carried_steps(date_rows(rows, definitions.uses.hole))))
    rows = rows.join(devices, on="dev", how="left", maintain_order="left")
    rows = rows.with_columns(
        official_offsets(rows["instant"], rows["zone"]),
        clock_uncertain=pl.col("clock_uncertain") | pl.col("doubtful"),
    )
    rows = name_uses(rows, definitions.uses)
    observed = pl.concat(
        [rows, readings[rows["at"]], traces.select(pl.all().gather(rows["trace_at"]))], how="horizontal"
    )
    return Resolved(
        RESOLVED.conform(observed),
        list_uses(observed, latest.join(devices, on="dev").drop("dev")),
        count_days(rows),
    )


def number_lines(
    minutes: pl.DataFrame, traces: pl.DataFrame, files: pl.DataFrame, definitions: Definitions
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """
    What names each line's row among all exports of its device.

    Returns
    -------
    The devices (`dev`, `site`, `device`), the lines (`overlaps.IDENTITY`, `file_no`, `line`, `at` and
    `trace_at`, the rows of `minutes` and `traces` they stand for), and the files by rank (`file_no`).
    """
    devices = minutes.select("site", "device").unique().sort("site", "device").with_row_index("dev")
    ranked = _rank_files(minutes, files)
    lines = _lines(minutes, traces, devices, ranked)
    return devices, number_epochs(lines, minutes.select(_READINGS), definitions.overlap), ranked


def _rank_files(minutes: pl.DataFrame, files: pl.DataFrame) -> pl.DataFrame:
    """The files in question, ranked by export time and digest: the greatest stands."""
    used = (
        minutes.select("file_sha256")
        .unique()
        .join(
            files.select(
                "file_sha256", "exported_at", "complete", zone="timezone", follows="clock_follows_dst"
            ).unique("file_sha256"),
            on="file_sha256",
            how="left",
        )
        .sort("exported_at", "file_sha256")
    )
    for column, what in (("exported_at", "no export time"), ("zone", "no time zone")):
        lacking = used.filter(pl.col(column).is_null())["file_sha256"].to_list()
        if lacking:
            raise InputError(f"file {lacking[0][:12]}: {what} in load_file; load the file again.")
    return used.with_row_index("file_no")


def _latest_export(lines: pl.DataFrame, ranked: pl.DataFrame) -> pl.DataFrame:
    """
    Each device's latest export that may be whole, null where there is none.

    What a cut-off export lacks may be more of the use: it cannot show that a use was over when it was made.
    """
    whole = ranked.select("file_no", whole=pl.when(pl.col("complete").fill_null(True)).then("exported_at"))
    return (
        lines.select("dev", "file_no")
        .unique()
        .join(whole, on="file_no", how="left")
        .group_by("dev")
        .agg(last_export_at=pl.col("whole").max().cast(INSTANT))
    )


def _lines(
    minutes: pl.DataFrame, traces: pl.DataFrame, devices: pl.DataFrame, ranked: pl.DataFrame
) -> pl.DataFrame:
    """What tells a line's place and copies, in whole numbers; `at` and `trace_at` point to the rest."""
    files = ranked.select(
        "file_sha256", "file_no", "zone", "follows", exported=pl.col("exported_at").to_physical()
    )
    return (
        minutes.select(
            "file_sha256",
            "site",
            "device",
            "line",
            "session",
            "record",
            wall=pl.col("clock").to_physical() // MINUTE_US,
            content=pl.struct(*(n for n in _READINGS if n != "alerts")).hash(),
        )
        .with_row_index("at")
        .join(files, on="file_sha256", how="left", maintain_order="left")
        .join(devices, on=["site", "device"], how="left", maintain_order="left")
        .join(
            traces.select("file_sha256", "line").with_row_index("trace_at").unique(["file_sha256", "line"]),
            on=["file_sha256", "line"],
            how="left",
            maintain_order="left",
        )
        .drop("file_sha256", "site", "device")
    )


def _grid(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a minute of each (device, session): the last in the log's order; `hidden` counts the others."""
    key = ["dev", "session", "instant"]
    rows = in_order(rows.with_row_index("order"), *key, "order")
    same = pl.all_horizontal(pl.col(name) == pl.col(name).shift() for name in key).fill_null(False)
    if not rows.select(same.any()).item():
        return rows.drop("order").with_columns(hidden=pl.lit(0, pl.UInt32))
    rows = rows.with_columns(minute_no=(~same).cum_sum())
    shared = rows.group_by("minute_no", maintain_order=True).agg(
        hidden=pl.len() - 1,
        doubt=pl.col("doubtful").any(),
        stepped=pl.col("clock_step").any(),
        moved=pl.when((pl.col("clock_step") & pl.col("clock_step_minutes").is_null()).any().not_()).then(
            pl.col("clock_step_minutes").sum()
        ),
    )
    return (
        rows.unique("minute_no", keep="last", maintain_order=True)
        .join(shared, on="minute_no", how="left", maintain_order="left")
        .with_columns(
            doubtful="doubt", clock_step="stepped", clock_step_minutes=pl.when("stepped").then("moved")
        )
        .drop("order", "minute_no", "stepped", "moved", "doubt")
    )
