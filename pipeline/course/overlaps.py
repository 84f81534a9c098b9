"""The same minute of a device in several exports: which value stands, and whether the exports agree."""

from __future__ import annotations

import polars as pl

IDENTITY = ["dev", "counted", "epoch", "seq", "nth", "session"]
_CHUNK = 20_000  # pairs of traces compared at a time, so that memory stays flat


def merge_exports(lines: pl.DataFrame, readings: list[str], traces: pl.DataFrame) -> pl.DataFrame:
    """
    Merge the copies of each row of a device's log, field by field.

    A value beats a blank; between values the one of the latest export stands (greatest export time, then
    file digest, then line). For alerts, none rang (an empty list) is weaker than some that did, and
    stronger than a log that does not say. A trace is one field: rate and samples go together. Copies
    with two different values are conflicting.

    Parameters
    ----------
    lines
        One row a line, with the identity columns, `file_no` (rank of the file), `line`, `wall`,
        `record`, `trace_at` (row in `traces`, or null) and the readings.
    readings
        Names of the reading columns.
    traces
        `rate_hz` and `samples_cmh2o`, one row a trace.

    Returns
    -------
    One row an identity in the order of identities, without `file_no` and `line`, with `exports` and
    `conflicting`.
    """
    lines = lines.sort(*IDENTITY, "file_no", "line")
    fields = [name for name in readings if name != "alerts"]
    differs = pl.any_horizontal(
        ~pl.col(name).eq_missing(pl.col(name).shift()) for name in [*fields, "wall", "record", "rang"]
    )
    lines = (
        lines.with_columns(rang=pl.col("alerts").list.join(";"))
        .with_columns(
            new=pl.any_horizontal(~pl.col(name).eq_missing(pl.col(name).shift()) for name in IDENTITY)
            | (pl.int_range(pl.len()) == 0)
        )
        .with_columns(
            identity=pl.col("new").cum_sum(),
            export=(pl.col("new") | (pl.col("file_no") != pl.col("file_no").shift())).cast(pl.Int32),
            differs=~pl.col("new") & differs,
        )
    )
    lines = lines.with_columns(differs=pl.col("differs") | _traces_differ(lines, traces))
    if lines["new"].all():
        return lines.select(_kept(lines), exports=pl.lit(1, pl.Int32), conflicting=pl.lit(False))
    tally = lines.group_by("identity", maintain_order=True).agg(
        exports=pl.col("export").sum(), mixed=pl.col("differs").any()
    )
    lines = lines.join(tally, on="identity", how="left", maintain_order="left")
    last = pl.col("identity").ne_missing(pl.col("identity").shift(-1))
    kept = ["identity", *_kept(lines), "exports"]
    agreed = lines.filter(last & ~pl.col("mixed")).select(*kept, conflicting=pl.lit(False))
    mixed = _merge_mixed(lines.filter("mixed"), fields, traces).select(*kept, "conflicting")
    return pl.concat([agreed, mixed]).sort("identity").drop("identity")


def _kept(lines: pl.DataFrame) -> list[str]:
    made_here = {"file_no", "line", "rang", "new", "identity", "export", "differs", "exports", "mixed"}
    return [name for name in lines.columns if name not in made_here]


def _traces_differ(lines: pl.DataFrame, traces: pl.DataFrame) -> pl.Series:
    """Where a copy's trace is not that of the copy before it."""
    pair = lines.select(
        row=pl.int_range(pl.len()),
        here=pl.col("trace_at"),
        before=pl.col("trace_at").shift(),
        new=pl.col("new"),
    ).filter(~pl.col("new"))
    one_blank = pair.filter(pl.col("here").is_null() != pl.col("before").is_null())["row"]
    both = pair.filter(pl.col("here").is_not_null() & pl.col("before").is_not_null())
    found = [one_blank, both["row"].filter(~_same_traces(both["here"], both["before"], traces))]
    rows = pl.concat(found)
    return lines.select(pl.int_range(pl.len()).is_in(rows.implode())).to_series()


def _same_traces(one: pl.Series, other: pl.Series, traces: pl.DataFrame) -> pl.Series:
    same = [pl.Series([], dtype=pl.Boolean)]
    for start in range(0, len(one), _CHUNK):
        a, b = traces[one.slice(start, _CHUNK)], traces[other.slice(start, _CHUNK)]
        same.append((a["rate_hz"] == b["rate_hz"]) & a["samples_cmh2o"].eq_missing(b["samples_cmh2o"]))
    return pl.concat(same)


def _merge_mixed(lines: pl.DataFrame, fields: list[str], traces: pl.DataFrame) -> pl.DataFrame:
    """Field by field, for identities whose copies are not all the same."""
    others = [name for name in _kept(lines) if name not in {*fields, "alerts", "record", "trace_at"}]
    trace_before = pl.col("trace_at").forward_fill().shift().over("identity")
    pair = lines.select("identity", here=pl.col("trace_at"), before=trace_before).drop_nulls()
    other_trace = pair.filter(~_same_traces(pair["here"], pair["before"], traces))["identity"].unique()
    rang = pl.col("alerts").list.len() > 0
    disagree = pl.any_horizontal(
        *(pl.col(name).drop_nulls().n_unique() > 1 for name in [*fields, "wall"]),
        pl.col("alerts").list.sort().list.join(";").drop_nulls().n_unique() > 1,
    )
    return (
        lines.group_by("identity", maintain_order=True)
        .agg(
            *(pl.col(name).drop_nulls().last() for name in [*fields, "record", "trace_at"]),
            pl.coalesce(pl.col("alerts").filter(rang).last(), pl.col("alerts").drop_nulls().last()).alias(
                "alerts"
            ),
            *(pl.col(name).last() for name in [*others, "exports"]),
            conflicting=disagree,
        )
        .with_columns(conflicting=pl.col("conflicting") | pl.col("identity").is_in(other_trace.implode()))
    )
