"""
Which run of the device's counter a line belongs to, over all of a device's overlapping exports.

The record counter only ever grows, except that a service reset returns it to 1. Each such run is an
epoch. A layout without a counter is handled alike: there a run is a lap of the wall clock, and a new
lap begins where the clock falls back (the repeated hour in autumn, or a clock set back).
"""

from __future__ import annotations

from collections import defaultdict
from heapq import heapify, heappop, heappush

import numpy as np
import polars as pl

from pipeline.course.laps import join_laps
from pipeline.course.order import in_order
from pipeline.course.pieces import Piece, Pieces
from pipeline.course.retold import told_twice
from pipeline.course.segments import cut_segments
from pipeline.course.zones import zone_of
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
    `lines` in file order with what names a row beside device and session: `counted` (whether it has a
    counter), `epoch`, `seq` (the record, or the wall clock), `nth` (n-th such row, null with a record);
    and `doubtful`: exports without a counter contradict one another on its minute, and nobody can tell
    whether they speak of the same one.
    """
    lines = cut_segments(lines)
    pieces = Pieces(lines)
    for one, other in _shared(lines):
        pieces.unite(one, other)  # a counter never repeats with its clock
    doubted = join_laps(pieces, told_twice(lines, readings), rules)
    numbers = _number(pieces)
    lines = lines.with_columns(
        numbers["epoch"].gather(lines["segment"] - 1),
        seq=pl.when("counted").then("seq").otherwise("wall"),
        nth=pl.when("counted").then("odd").otherwise(_nth(lines)),
    )
    lines = _mark_doubtful(lines, doubted)
    return _adopt(lines.drop("segment", "odd", "content"))


def _mark_doubtful(lines: pl.DataFrame, doubted: pl.DataFrame) -> pl.DataFrame:
    """
    Mark every line of the doubted minutes, where the pieces that contradict one another became one epoch.

    Elsewhere their rows stand side by side, and nothing was merged that may not be the same.
    """
    doubted = doubted.drop_nulls()  # rows of two sessions are never merged
    if doubted.is_empty():
        return lines.with_columns(doubtful=pl.lit(False))
    epochs = lines.select("segment", "dev", "epoch").unique("segment")
    row = ["dev", "epoch", "session", "wall"]
    merged = (
        doubted.join(epochs, left_on="one", right_on="segment")
        .join(epochs.drop("dev"), left_on="other", right_on="segment", suffix="_other")
        .filter(pl.col("epoch") == pl.col("epoch_other"))
        .select(*row, counted=pl.lit(False), doubtful=pl.lit(True))
        .unique()
    )
    marked = lines.join(merged, on=[*row, "counted"], how="left", maintain_order="left")
    return marked.with_columns(pl.col("doubtful").fill_null(False))


def _nth(lines: pl.DataFrame) -> pl.Series:
    """How many lines of their piece have the same session and minute before each line without a counter."""
    found = pl.Series("nth", [None], pl.Int64).new_from_index(0, len(lines))
    at = (~lines["counted"]).arg_true()
    if at.is_empty():
        return found
    nth = lines[at].select(pl.int_range(pl.len()).over("segment", "session", "wall").cast(pl.Int64))
    return found.scatter(at, nth.to_series())


def _adopt(lines: pl.DataFrame) -> pl.DataFrame:
    """Give lines of files without a counter the record under which another export holds their minute."""
    kinds = lines.group_by("dev").agg(pl.col("counted").n_unique())
    mixed = pl.col("dev").is_in(kinds.filter(pl.col("counted") > 1)["dev"].implode())
    seeking = lines.select(mixed & ~pl.col("counted") & (pl.col("nth") == 0)).to_series().arg_true()
    if seeking.is_empty():
        return lines
    minute = ["dev", "session", "wall"]
    held = (
        lines.filter(mixed & pl.col("counted") & pl.col("nth").is_null())
        .select(*minute, "epoch", "seq", "nth")
        .unique()
        .filter(pl.len().over(minute) == 1)
    )
    found = (
        lines.select(minute)[seeking]
        .with_columns(at=seeking)
        .join(held.with_columns(counted=True), on=minute)
    )
    names = ("counted", "epoch", "seq", "nth")
    return lines.with_columns(lines[name].scatter(found["at"], found[name]) for name in names)


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


def _number(pieces: Pieces) -> pl.DataFrame:
    """Unite pieces into epochs and count these from 0 in each device's order of time."""
    groups: dict[tuple[int, bool], list[int]] = defaultdict(list)
    for number in pieces.roots():
        groups[pieces[number].dev, pieces[number].counted].append(number)
    epochs: dict[int, int] = {}
    for roots in groups.values():
        epoch, previous = -1, None
        for root in _in_time(roots, pieces):
            if previous is not None and _continues(pieces[previous], pieces[root]):
                previous = pieces.unite(previous, root)
            else:
                epoch, previous = epoch + 1, root
            epochs[previous] = epoch
    table = [(number, epochs[pieces.find(number)]) for number in pieces.numbers()]
    return pl.DataFrame(table, schema={"segment": pl.Int64, "epoch": pl.Int32}, orient="row")


def _in_time(roots: list[int], pieces: Pieces) -> list[int]:
    """A device's pieces in order of time: by their clocks, but never against the order inside a file."""
    here = set(roots)
    later: dict[int, list[int]] = defaultdict(list)
    waiting = dict.fromkeys(roots, 0)
    for root in roots:
        for earlier in pieces.before(root) & here:
            later[earlier].append(root)
            waiting[root] += 1
    free = [(pieces[root].place, root) for root in roots if not waiting[root]]
    heapify(free)
    order: list[int] = []
    while waiting:
        if not free:  # files contradict one another: go on with the earliest clock
            free = [min((pieces[root].place, root) for root in waiting)]
        _, root = heappop(free)
        if root not in waiting:
            continue
        del waiting[root]
        order.append(root)
        for other in sorted(other for other in later[root] if other in waiting):
            waiting[other] -= 1
            if not waiting[other]:
                heappush(free, (pieces[other].place, other))
    return order


def _continues(one: Piece, other: Piece) -> bool:
    """Whether two segments without common rows, the first earlier by its clock, are one epoch."""
    if one.files & other.files or not one.apart.isdisjoint(other.members):
        return False
    if not one.counted:
        return other.first > one.last or not zone_of(one.zone).is_repeated(np.array([other.first]))[0]
    if other.low > one.high:
        return True
    if other.high < one.low:
        return other.seen < one.seen
    return other.least_lag <= one.most_lag and one.least_lag <= other.most_lag
