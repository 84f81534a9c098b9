"""
Which run of the device's counter a line belongs to, over all of a device's overlapping exports.

The record counter only ever grows, except that a service reset returns it to 1. Each such run is an
epoch. A layout without a counter is handled alike: there a run is a lap of the wall clock, and a new
lap begins where the clock falls back (the repeated hour in autumn, or a clock set back).
"""

from __future__ import annotations

import polars as pl

from pipeline.course.laps import join_laps, mark_doubtful
from pipeline.course.mixed_exports import join_mixed, mixed_devices
from pipeline.course.order import in_order
from pipeline.course.pieces import Pieces
from pipeline.course.retold import told_twice
from pipeline.course.segments import cut_segments
from pipeline.course.succession import number_pieces
from pipeline.definitions import OverlapRules


def number_epochs(lines: pl.DataFrame, readings: pl.DataFrame, rules: OverlapRules) -> pl.DataFrame:
    """
    Number the epochs of every device's counter, the same whatever the exports it came in.

    Inside a file an epoch ends where the record falls back, unless the wall clock falls back by as many
    minutes: then the rows only stand out of order. A file written newest first is read from its end.
    Between files, two such segments are one epoch when they share rows, or when their records rise from
    the one to the other in time. Where the order of the wall clocks contradicts that of the records, the
    lower records come first if they were seen in an earlier export (the clock was set back), and last
    if not (the counter was reset). Without records they share rows where the same minutes say the same,
    and are two laps where these differ nearly everywhere (`join_laps`).

    Parameters
    ----------
    lines
        One row a line: `dev`, `file_no` (rank of the file by export time and digest), `line`, `session`,
        `record`, `wall` (minutes since 1970), `zone`, `exported`,
        `content` (digest of the readings), `at` (row in `readings`).
    readings
        The reading columns, one row a line in any order.
    rules
        When files without a counter repeat one another.

    Returns
    -------
    `lines` with what names a row beside device and session: `counted` (whether it has a
    counter), `epoch`, `seq` (the record, or the wall clock), `nth` (n-th such row, null with a record);
    `doubtful`: exports contradict one another on its minute, and nobody can tell whether they speak of the
    same one, for one or both have no counter; and `lap`: where some exports of a device have a counter and
    others none, the lap of the wall clock, from 1 in order of time (`join_mixed`); else 0.
    """
    lines = cut_segments(lines)
    pieces = Pieces(lines)
    for one, other in _shared(lines):
        pieces.unite(one, other)  # a counter never repeats with its clock
    mixed = mixed_devices(lines)
    in_mixed = pl.col("dev").is_in(mixed.implode())
    alike = lines if mixed.is_empty() else lines.filter(~in_mixed)
    doubted = join_laps(pieces, told_twice(alike, readings), rules)
    numbers = number_pieces(pieces)
    lines = lines.with_columns(
        numbers["epoch"].gather(lines["segment"] - 1),
        seq=pl.when("counted").then("seq").otherwise("wall"),
        nth=pl.when("counted").then("odd").otherwise(_nth(lines)),
        lap=pl.lit(0, pl.Int32),
    )
    lines = mark_doubtful(lines, doubted, "epoch")
    if not mixed.is_empty():
        joined = join_mixed(lines.filter(in_mixed), readings, rules)
        lines = pl.concat([lines.filter(~in_mixed), joined.select(lines.columns)])
    return lines.drop("segment", "odd", "content")


def _nth(lines: pl.DataFrame) -> pl.Series:
    """How many lines of their piece have the same session and minute before each line without a counter."""
    found = pl.Series("nth", [None], pl.Int64).new_from_index(0, len(lines))
    at = (~lines["counted"]).arg_true()
    if at.is_empty():
        return found
    nth = lines[at].select(pl.int_range(pl.len()).over("segment", "session", "wall").cast(pl.Int64))
    return found.scatter(at, nth.to_series())


def _shared(lines: pl.DataFrame) -> list[tuple[int, int]]:
    """Pairs of segments that hold the same rows of a counter: record, clock and session; most rows first."""
    key = ["dev", "session", "seq", "wall"]
    rows = in_order(lines.filter("counted").select(*key, "segment"), *key, "segment")
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in key)
    pairs = (
        rows.select(
            one=pl.col("segment").shift(),
            other=pl.col("segment"),
            same=same & (pl.col("segment") != pl.col("segment").shift()),
        )
        .filter("same")
        .group_by("one", "other")
        .agg(rows=pl.len())
        .sort(pl.col("rows"), "one", "other", descending=[True, False, False])
    )
    return list(zip(pairs["one"].to_list(), pairs["other"].to_list(), strict=True))
