"""The pieces of one file inside which the device's counter, or its clock, does not fall back."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.course.order import in_order
from pipeline.course.zones import zone_of

FILE = ["dev", "file_no"]


def cut_segments(lines: pl.DataFrame) -> pl.DataFrame:
    """
    Put each file's lines in the order the device wrote them, and cut them where its counter falls back.

    A file is read with a counter if its record goes on; a column that is blank, or repeats one number
    from minute to minute, is none, and there the wall clock takes its place. Where most steps go down,
    of the record and of the clock, the file was written newest first. A record that falls together with
    its clock stands out of order and is no reset. A line that comes twice is read once.

    Parameters
    ----------
    lines
        One row a line: `dev`, `file_no`, `line`, `session`, `record`, `wall` (minutes since 1970),
        `zone`, `content` (digest of the readings).

    Returns
    -------
    `lines` in that order with `counted`, `seq` (the record, blanks filled in from the neighbours), `odd`
    (the wall clock of a blank that no neighbour explains, else null) and `segment`, numbered from 1.
    """
    return _cut(_sequence(_in_order(lines)))


def _in_order(lines: pl.DataFrame) -> pl.DataFrame:
    """Lines of each file in the order they were written by the device; `counted` files told from others."""
    lines = in_order(lines, *FILE, "line")
    lines = lines.filter(
        pl.any_horizontal(pl.col(name) != pl.col(name).shift() for name in (*FILE, "line")).fill_null(True)
    )
    same_file = (pl.col("dev") == pl.col("dev").shift()) & (pl.col("file_no") == pl.col("file_no").shift())
    steps = lines.select(
        *FILE,
        record=pl.when(same_file).then(pl.col("record").diff().sign()),
        wall=pl.when(same_file).then(pl.col("wall").diff().sign()),
        known=pl.col("record").is_not_null(),
    )
    votes = steps.group_by(FILE).agg(
        up=(pl.col("record") > 0).sum().cast(pl.Int64),
        down=(pl.col("record") < 0).sum().cast(pl.Int64),
        still=((pl.col("record") == 0) & (pl.col("wall") != 0)).sum().cast(pl.Int64),
        later=(pl.col("wall") > 0).sum().cast(pl.Int64),
        earlier=(pl.col("wall") < 0).sum().cast(pl.Int64),
        known=pl.col("known").any(),
    )
    counted = pl.col("known") & (pl.col("still") <= pl.max_horizontal("up", "down"))
    votes = votes.select(
        *FILE,
        counted=counted,
        newest_first=(pl.col("earlier") > pl.col("later"))
        & pl.when(counted).then(pl.col("down") > pl.col("up")).otherwise(pl.col("earlier") > 1),
    )
    lines = lines.join(votes, on=FILE, how="left", maintain_order="left")
    if votes["newest_first"].any():
        backwards = pl.when("newest_first").then(-pl.col("line").cast(pl.Int64)).otherwise("line")
        lines = in_order(lines.with_columns(order=backwards), *FILE, "order").drop("order")
    return lines.drop("newest_first")


def _sequence(lines: pl.DataFrame) -> pl.DataFrame:
    """
    The record of each line of a counted file, filled in from its neighbours where the cell is blank.

    A blank that fits no neighbour's count and clock is told apart by its wall clock (`odd`).
    """
    lines = lines.with_columns(seq=pl.col("record"), odd=pl.lit(None, pl.Int64))
    if not lines.select((pl.col("counted") & pl.col("record").is_null()).any()).item():
        return lines
    row = pl.int_range(pl.len()).cast(pl.Int64)
    lines = lines.with_columns(row=row)
    filled = lines.with_columns(
        **{
            f"{name}_{side}": getattr(pl.when(pl.col("record").is_not_null()).then(name), way)().over(FILE)
            for name in ("record", "wall", "row")
            for side, way in (("before", "forward_fill"), ("after", "backward_fill"))
        }
    )
    since = pl.col("row") - pl.col("row_before")
    until = pl.col("row_after") - pl.col("row")
    fits_before = pl.col("wall") - pl.col("wall_before") == since
    fits_after = pl.col("wall_after") - pl.col("wall") == until
    guess = (
        pl.when(fits_before)
        .then(pl.col("record_before") + since)
        .when(fits_after)
        .then(pl.col("record_after") - until)
    )
    return filled.with_columns(
        seq=pl.coalesce(
            "record", pl.when("counted").then(pl.coalesce(guess, "record_before", "record_after"))
        ),
        odd=pl.when(pl.col("counted") & pl.col("record").is_null() & guess.is_null()).then("wall"),
    ).select(lines.columns[:-1])


def _cut(lines: pl.DataFrame) -> pl.DataFrame:
    """Number the pieces of each file inside which the counter (or the clock) does not fall back."""
    wall, seq = pl.col("wall"), pl.col("seq")
    new_file = (
        (pl.col("dev") != pl.col("dev").shift()) | (pl.col("file_no") != pl.col("file_no").shift())
    ).fill_null(True)
    disordered = wall.diff() == seq.diff()
    known = pl.col("odd").is_null()
    again = (seq.diff() == 0) & ((wall.diff() != 0) | (pl.col("session").diff() != 0)) & known & known.shift()
    falls = (
        pl.when("counted")
        .then(((seq.diff() < 0) & ~disordered) | again)
        .otherwise((wall.diff() < 0) | _shown_again(lines))
    )
    return lines.with_columns(segment=(new_file | falls.fill_null(False)).cum_sum().cast(pl.Int64))


def _shown_again(lines: pl.DataFrame) -> pl.Series:
    """Where the clock shows an hour's minute again with other readings: it fell back during a hole."""
    again = (pl.col("wall").diff() == 0) & (pl.col("content") != pl.col("content").shift())
    found = lines.select((again & ~pl.col("counted")).fill_null(False).alias("again")).to_series()
    repeated = pl.Series(np.zeros(len(lines), dtype=bool))
    for name in lines.filter(found)["zone"].unique().sort().to_list():
        twice = pl.Series(zone_of(name).is_repeated(lines["wall"].to_numpy()))
        repeated = repeated | (twice & (lines["zone"] == name))
    return found & repeated
