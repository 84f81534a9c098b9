"""Every line of a device's exports with the minute and the use it speaks of."""

from __future__ import annotations

import polars as pl

from pipeline.course.clock import date_rows
from pipeline.course.overlaps import IDENTITY, merge_exports
from pipeline.course.resolve import number_lines
from pipeline.course.zones import MINUTE_US
from pipeline.definitions import Definitions
from schemas.lake import READINGS

_READINGS = [column.name for column in READINGS]


def dated_lines(
    minutes: pl.DataFrame,
    traces: pl.DataFrame,
    files: pl.DataFrame,
    uses: pl.DataFrame,
    definitions: Definitions,
) -> pl.DataFrame:
    """
    Say of each line which minute of which use it speaks of, whether or not its values stand.

    Lines of overlapping exports, contradicting ones and those hidden behind a clock that was set back are all
    there: whoever takes a patient's minutes out must take out every line that holds them.

    Parameters
    ----------
    minutes, traces, files
        As for `resolve`.
    uses
        USE_TABLE of these devices.

    Returns
    -------
    `file_sha256`, `line`, `site`, `device`, `session`, `clock`, `minute` (UTC), `use_id`.
    """
    _, lines, _ = number_lines(minutes, traces, files, definitions)
    rows, _ = merge_exports(lines, minutes.select(_READINGS), traces.select("rate_hz", "samples_cmh2o"))
    dated = date_rows(rows, definitions.uses.hole).select(
        *IDENTITY, minute=(pl.col("instant") * MINUTE_US).cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    )
    found = lines.select("at", *IDENTITY).join(dated, on=IDENTITY, how="left", nulls_equal=True).sort("at")
    placed = pl.concat(
        [
            minutes.select("file_sha256", "line", "site", "device", "session", "clock"),
            found.select("minute"),
        ],
        how="horizontal",
    ).sort("minute")
    begun = uses.select("site", "device", "session", "use_id", minute="started_at").sort("minute")
    found_uses = placed.join_asof(
        begun,
        on="minute",
        by=["site", "device", "session"],
        strategy="backward",
        check_sortedness=False,  # sorted just above; with groups Polars cannot see it
    )
    return found_uses.sort("file_sha256", "line")
