"""Which lines of which exports stand behind one minute, and what else other exports said of it."""

from __future__ import annotations

from datetime import datetime

import polars as pl

from pipeline.course.clock import date_rows
from pipeline.course.overlaps import IDENTITY, merge_exports
from pipeline.course.resolve import number_lines
from pipeline.definitions import Definitions
from schemas.lake import READINGS

_NAMES = [column.name for column in READINGS]


def lines_behind(
    minutes: pl.DataFrame,
    traces: pl.DataFrame,
    files: pl.DataFrame,
    definitions: Definitions,
    session: int,
    minute: datetime,
) -> pl.DataFrame:
    """
    List every line of a device's exports that speaks of one minute of one session.

    Several lines are one row of the log where they name the same record (without a record, the same
    minute of the clock). Between these the readings are merged field by field: a value beats a blank,
    the greatest (`exported_at`, file digest) stands. Where the clock was set back two rows of the log have
    the same minute; the later is shown, the other is hidden behind it.

    Parameters
    ----------
    minutes, traces, files
        As for `resolve`, of one device.
    session
        The use's session.
    minute
        Start of the minute, UTC.

    Returns
    -------
    One row a line, the one that stands first: `role` (`stands`: the latest export that has it, `agrees`,
    `differs`, `hidden`), `differs` (the readings in which it differs from what stands, null where it has
    none), `blanks` (readings it lacks and another export has), `file_sha256`, `line`, `record`, `clock`,
    `exported_at`, `timezone`, and the readings.
    """
    _, lines, ranked = number_lines(minutes, traces, files, definitions)
    samples = traces.select("rate_hz", "samples_cmh2o")
    rows, readings = merge_exports(lines, minutes.select(_NAMES), samples)
    instant = int(minute.timestamp()) // 60
    dated = date_rows(rows, definitions.uses.hole).with_row_index("order")
    here = dated.filter(pl.col("session") == session, pl.col("instant") == instant)
    here = here.with_columns(shown=pl.col("order") == pl.col("order").max())
    stands = readings[here.filter("shown")["at"]]
    found = lines.join(here.select(*IDENTITY, "shown", "order"), on=IDENTITY, nulls_equal=True).sort(
        "shown", "order", "file_no", "line", descending=True
    )
    told = pl.concat(
        [
            found.select("shown", "file_no", place=pl.int_range(pl.len())),
            minutes.select("file_sha256", "line", "record", "clock", *_NAMES)[found["at"]],
        ],
        how="horizontal",
    ).join(
        ranked.select("file_no", "exported_at", timezone="zone"),
        on="file_no",
        how="left",
        maintain_order="left",
    )
    return told.with_columns(differs=_differing(stands), blanks=_blanks(stands)).select(
        role=pl.when(~pl.col("shown"))
        .then(pl.lit("hidden"))
        .when(pl.col("place") == 0)
        .then(pl.lit("stands"))
        .when(pl.col("differs").list.len() > 0)
        .then(pl.lit("differs"))
        .otherwise(pl.lit("agrees")),
        differs="differs",
        blanks="blanks",
        file_sha256="file_sha256",
        line="line",
        record="record",
        clock="clock",
        exported_at="exported_at",
        timezone="timezone",
        **{name: pl.col(name) for name in _NAMES},
    )


def _text(column: pl.Expr, name: str) -> pl.Expr:
    return column.list.sort().list.join(";") if name == "alerts" else column


def _differing(stands: pl.DataFrame) -> pl.Expr:
    """Names of the readings whose value is another than the one that stands."""
    names = []
    for name in _NAMES if stands.height else ():
        value, standing = _text(pl.col(name), name), _text(pl.lit(stands[name]), name).first()
        names.append(pl.when(value.is_not_null() & (value != standing)).then(pl.lit(name)))
    return pl.concat_list(names).list.drop_nulls() if names else pl.lit([], pl.List(pl.String))


def _blanks(stands: pl.DataFrame) -> pl.Expr:
    """Names of the readings that this line lacks, though another export has them."""
    names = [
        pl.when(pl.col(name).is_null()).then(pl.lit(name))
        for name in _NAMES
        if stands.height and stands[name][0] is not None
    ]
    return pl.concat_list(names).list.drop_nulls() if names else pl.lit([], pl.List(pl.String))
