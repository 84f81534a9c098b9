"""Devices of which some exports have a record counter and others none: one order for the rows of both."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import polars as pl

from pipeline.course.laps import join_laps, mark_doubtful
from pipeline.course.order import in_order
from pipeline.course.pieces import Pieces
from pipeline.course.retold import told_twice
from pipeline.course.succession import number_pieces
from pipeline.definitions import OverlapRules

_ROW = ("dev", "epoch", "seq", "nth", "session")  # what names a row of the counter
_MINUTE = ("dev", "lap", "session", "wall")


def mixed_devices(lines: pl.DataFrame) -> pl.Series:
    """Devices (`dev`) of which some exports have a record counter and others have none."""
    kinds = lines.select("dev", "counted").unique().group_by("dev").agg(kinds=pl.len())
    return kinds.filter(pl.col("kinds") > 1)["dev"].sort()


def join_mixed(lines: pl.DataFrame, readings: pl.DataFrame, rules: OverlapRules) -> pl.DataFrame:
    """
    Lay the exports without a counter beside those with one, lap by lap of the wall clock.

    The counter alone says which of its rows are the same and how they follow one another. What it counted is
    cut where the clock falls back, and between exports where the two do not go on in step, for what has no
    counter may belong there. These laps and the pieces without a counter are then joined as if none had one
    (`join_laps`): minutes that say the same are the same, minutes that differ nearly everywhere were written
    after the clock was set back, and where nobody can tell they are taken for the same and are in doubt.

    Parameters
    ----------
    lines
        Of such devices only, in file order: the columns of `cut_segments`, with `epoch`, `seq` and `nth`.
    readings
        The reading columns, one row a line in any order.
    rules
        When files repeat one another.

    Returns
    -------
    The lines with `lap` (of the wall clock, from 1 in the device's order of time) and `doubtful`. One without
    a counter that repeats a row of the counter has its name (`counted`, `epoch`, `seq`, `nth`); else `epoch`
    is its lap.
    """
    bare = lines.filter(~pl.col("counted"))
    bare = bare.with_columns(segment=pl.col("segment").rank("dense").cast(pl.Int64))
    counted, rows = _counted_laps(lines.filter("counted"), bare["segment"].n_unique())
    heads = pl.concat([bare, rows.select(bare.columns)]).with_columns(counted=pl.lit(False))
    pieces = _pieces(heads, counted, rows)
    told = told_twice(heads, readings)
    first = rows["segment"].min()
    told = told.filter((pl.col("one") < first) | (pl.col("other") < first))  # the counter has told its own
    doubted = join_laps(pieces, told, rules)
    laps = number_pieces(pieces)["epoch"] + 1
    lines = pl.concat([bare, counted.select(bare.columns)])
    lines = lines.with_columns(lap=laps.gather(lines["segment"] - 1))
    lines = lines.with_columns(epoch=pl.when("counted").then("epoch").otherwise("lap"))
    return _adopt(mark_doubtful(lines, doubted, "lap"))


def by_laps(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in the order of their names, those of mixed devices put in the order of time."""
    if not rows.select(pl.col("lap").max() > 0).item():
        return rows
    clock = pl.when(pl.col("lap") > 0).then("wall").otherwise(0)
    rows = rows.with_columns(clock=clock).with_row_index("place")
    return in_order(rows, "dev", "lap", "clock", "place").drop("clock", "place")


def with_counter_epochs(rows: pl.DataFrame) -> pl.DataFrame:
    """
    Rows in order of time with the counter's `epoch`, 0 where a device has none.

    On a mixed device a row without a counter has that of the last counted row before it.
    """
    told: pl.Expr = pl.when("counted").then("epoch")
    if rows.select(pl.col("lap").max() > 0).item():
        told = told.forward_fill().over("dev")
    return rows.with_columns(epoch=told.fill_null(0))


def _counted_laps(lines: pl.DataFrame, numbered: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """
    The lines with a counter, in its order, with `segment` (the lap they lie in, numbered on from `numbered`).

    And each of their rows once, as the last export has it, with `fall`: how often the clock fell back so far.
    A lap is cut where the clock falls back; and where no export goes on from row to row, and the clock did
    not move by as much as the counter.
    """
    lines = in_order(lines, *_ROW, "file_no", "line")
    changes = pl.any_horizontal(~pl.col(name).eq_missing(pl.col(name).shift()) for name in _ROW)
    lines = lines.with_columns(row=(changes | (pl.int_range(pl.len()) == 0)).cum_sum().cast(pl.Int64) - 1)
    rows = lines.unique("row", keep="last", maintain_order=True)
    spans = lines.group_by("dev", "file_no").agg(low=pl.col("row").min(), high=pl.col("row").max())
    edges = np.zeros(len(rows) + 1, dtype=np.int64)
    np.add.at(edges, spans["low"].to_numpy() + 1, 1)
    np.add.at(edges, spans["high"].to_numpy() + 1, -1)
    moved, same = pl.col("wall").diff(), pl.col("dev").diff() == 0
    again = (moved == 0) & (pl.col("session").diff() == 0)
    in_step = (moved == pl.col("seq").diff()) & (pl.col("epoch").diff() == 0)
    rows = rows.with_columns(
        falls=(~same | (moved < 0) | again).fill_null(True),
        parts=~in_step.fill_null(False) & (pl.Series(edges.cumsum()[: len(rows)]) == 0),
    ).with_columns(
        fall=pl.col("falls").cum_sum(),
        segment=(pl.col("falls") | pl.col("parts")).cum_sum().cast(pl.Int64) + numbered,
    )
    return lines.with_columns(segment=rows["segment"].gather(lines["row"])), rows


def _pieces(heads: pl.DataFrame, counted: pl.DataFrame, rows: pl.DataFrame) -> Pieces:
    """All pieces, those of the counter in its order, and apart where the clock fell back between them."""
    pieces = Pieces(heads)
    held = counted.group_by("segment").agg(pl.col("file_no").unique(), seen=pl.col("exported").min())
    for segment, files, seen in held.iter_rows():
        pieces[segment].files, pieces[segment].seen = set(files), seen
    laps = rows.group_by("segment", maintain_order=True).agg(pl.col("dev", "fall").first())
    for (one, dev, fall), (other, dev_other, fall_other) in combinations(laps.iter_rows(), 2):
        if dev != dev_other:
            continue
        if other == one + 1:
            pieces[other].after.add(one)
        if fall != fall_other and pieces[one].last >= pieces[other].first:
            pieces[one].apart.add(other)
            pieces[other].apart.add(one)
    return pieces


def _adopt(lines: pl.DataFrame) -> pl.DataFrame:
    """Give lines without a counter the name under which another export holds their minute of their lap."""
    seeking = lines.select(~pl.col("counted") & (pl.col("nth") == 0)).to_series().arg_true()
    held = (
        lines.filter("counted", pl.col("nth").is_null())
        .select(*_MINUTE, "epoch", "seq", "nth")
        .unique()
        .filter(pl.len().over(_MINUTE) == 1)
    )
    found = (
        lines.select(_MINUTE)[seeking]
        .with_columns(at=seeking)
        .join(held.with_columns(counted=True), on=_MINUTE)
    )
    names = ("counted", "epoch", "seq", "nth")
    return lines.with_columns(lines[name].scatter(found["at"], found[name]) for name in names)
