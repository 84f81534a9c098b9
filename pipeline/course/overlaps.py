"""The same minute of a device in several exports: which value stands, and whether the exports agree."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.course.mixed_exports import by_laps
from pipeline.course.order import in_order

IDENTITY = ("dev", "counted", "epoch", "seq", "nth", "session")
_CHUNK = 20_000  # pairs of traces compared at a time, so that memory stays flat


def merge_exports(
    lines: pl.DataFrame, readings: pl.DataFrame, traces: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """
    Merge the copies of each row of a device's log, field by field.

    A value beats a blank; between values the one of the latest export stands (greatest export time, then
    file digest, then line). For alerts, none rang (an empty list) is weaker than some that did, and
    stronger than a log that does not say. A trace is one field: rate and samples go together. Copies
    with two different values are conflicting, and so are copies whose exports give the clock two zones.

    Parameters
    ----------
    lines
        One row a line: the identity, `lap`, `file_no` (rank of the file), `line`, `wall`, `zone`, `record`,
        and where its readings and its trace stand: `at` (row in `readings`), `trace_at` (row in `traces`, or
        null).
    readings
        The reading columns, one row a line in any order.
    traces
        `rate_hz` and `samples_cmh2o`, one row a trace.

    Returns
    -------
    One row an identity, each device's in order of time, with `exports`, `conflicting` and `at`, and the
    readings that `at` points to: those given, followed by those that had to be merged.
    """
    lines = in_order(lines, *IDENTITY, "file_no", "line")
    new = _changes(lines, IDENTITY)
    if new.all():
        rows = lines.drop("file_no", "line")
        rows = rows.with_columns(exports=pl.lit(1, pl.Int32), conflicting=pl.lit(False))
        return by_laps(rows), readings
    lines = lines.with_columns(
        identity=new.cum_sum(),
        export=(new | _changes(lines, ["file_no"])).cast(pl.Int32),
        differs=~new & (_differ(lines, readings) | _changes(lines, ["wall", "record", "zone"])),
    )
    lines = lines.with_columns(differs=pl.col("differs") | _traces_differ(lines, traces))
    copies = lines.group_by("identity", maintain_order=True).agg(
        exports=pl.col("export").sum(), mixed=pl.col("differs").any()
    )
    lines = lines.drop("export", "differs", "line", "file_no").join(
        copies, on="identity", how="left", maintain_order="left"
    )
    last = pl.col("identity").ne_missing(pl.col("identity").shift(-1))
    agreed = lines.filter(last & ~pl.col("mixed")).with_columns(conflicting=pl.lit(False))
    mixed = lines.filter("mixed")
    merged = _merge(pl.concat([mixed, readings[mixed["at"]]], how="horizontal"), readings.columns, traces)
    merged = merged.with_columns(at=(pl.int_range(pl.len()) + len(readings)).cast(pl.UInt32))
    rows = in_order(pl.concat([agreed, merged.select(agreed.columns)]), "identity")
    return by_laps(rows.drop("identity", "mixed")), pl.concat([readings, merged.select(readings.columns)])


def _changes(rows: pl.DataFrame, names: Sequence[str]) -> pl.Series:
    """Where any of these columns is not what it was in the row before; true in the first row."""
    changed = pl.any_horizontal(~pl.col(name).eq_missing(pl.col(name).shift()) for name in names)
    return rows.select((changed | (pl.int_range(pl.len()) == 0)).alias("changed")).to_series()


def _differ(lines: pl.DataFrame, readings: pl.DataFrame) -> pl.Series:
    """Where the readings of a line are not those of the line before, column by column to spare memory."""
    found = pl.repeat(False, len(lines), eager=True)
    for name in readings.columns:
        values = readings.get_column(name)
        if values.dtype == pl.List:
            values = values.list.join(";")
        found = found | _changes(values.gather(lines["at"]).to_frame(), [name])
    return found


def _traces_differ(lines: pl.DataFrame, traces: pl.DataFrame) -> pl.Series:
    """Where a copy's trace is not that of the copy before it."""
    pair = lines.select(
        "identity",
        row=pl.int_range(pl.len()),
        here=pl.col("trace_at"),
        before=pl.col("trace_at").shift(),
        copy=pl.col("identity") == pl.col("identity").shift(),
    ).filter("copy")
    one_blank = pair.filter(pl.col("here").is_null() != pl.col("before").is_null())["row"]
    both = pair.filter(pl.col("here").is_not_null() & pl.col("before").is_not_null())
    rows = pl.concat([one_blank, both["row"].filter(~_same_traces(both["here"], both["before"], traces))])
    return lines.select(pl.int_range(pl.len()).is_in(rows.implode()).alias("differs")).to_series()


def _same_traces(one: pl.Series, other: pl.Series, traces: pl.DataFrame) -> pl.Series:
    same = [pl.Series([], dtype=pl.Boolean)]
    for start in range(0, len(one), _CHUNK):
        a, b = traces[one.slice(start, _CHUNK)], traces[other.slice(start, _CHUNK)]
        same.append((a["rate_hz"] == b["rate_hz"]) & a["samples_cmh2o"].eq_missing(b["samples_cmh2o"]))
    return pl.concat(same)


def _merge(lines: pl.DataFrame, readings: list[str], traces: pl.DataFrame) -> pl.DataFrame:
    """Field by field, for identities whose copies are not all the same; one row each."""
    fields = [name for name in readings if name != "alerts"]
    valued = [*fields, "record", "trace_at"]
    others = [name for name in lines.columns if name not in {*valued, "alerts", "identity"}]
    trace_before = pl.col("trace_at").forward_fill().shift().over("identity")
    pair = lines.select("identity", here=pl.col("trace_at"), before=trace_before).drop_nulls()
    other_trace = pair.filter(~_same_traces(pair["here"], pair["before"], traces))["identity"].unique()
    rang = pl.col("alerts").list.len() > 0
    disagree = pl.any_horizontal(
        *(pl.col(name).drop_nulls().n_unique() > 1 for name in [*fields, "wall", "zone"]),
        pl.col("alerts").list.sort().list.join(";").drop_nulls().n_unique() > 1,
    )
    return (
        lines.group_by("identity", maintain_order=True)
        .agg(
            *(pl.col(name).drop_nulls().last() for name in valued),
            pl.coalesce(pl.col("alerts").filter(rang).last(), pl.col("alerts").drop_nulls().last()),
            *(pl.col(name).last() for name in others),
            conflicting=disagree,
        )
        .with_columns(conflicting=pl.col("conflicting") | pl.col("identity").is_in(other_trace.implode()))
    )
