"""
Which run of the device's counter a line belongs to, over all of a device's overlapping exports.

The record counter only ever grows, except that a service reset returns it to 1. Each such run is an
epoch. A layout without a counter is handled alike: there a run is a lap of the wall clock, and a new
lap begins where the clock falls back (the repeated hour in autumn, or a clock set back).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush

import numpy as np
import polars as pl

from pipeline.course.order import in_order
from pipeline.course.segments import cut_segments
from pipeline.course.zones import zone_of


def number_epochs(lines: pl.DataFrame) -> pl.DataFrame:
    """
    Number the epochs of every device's counter, the same whatever the exports it came in.

    Inside a file an epoch ends where the record falls back, unless the wall clock falls back by as many
    minutes: then the rows only stand out of order. A file written newest first is read from its end.
    Between files, two such segments are one epoch when they share rows, or when their records rise from
    the one to the other in time. Where the order of the wall clocks contradicts that of the records, the
    lower records come first if they were seen in an earlier export (the clock was set back), and last
    if not (the counter was reset).

    Parameters
    ----------
    lines
        One row a line: `dev`, `file_no` (rank of the file by export time and digest), `line`, `session`,
        `record`, `wall` (minutes since 1970), `zone`, `exported`,
        `content` (digest of the readings).

    Returns
    -------
    `lines` in file order with what names a row beside device and session: `counted` (whether it has a
    counter), `epoch`, `seq` (the record, or the wall clock), `nth` (n-th such row, null with a record).
    """
    lines = cut_segments(lines)
    numbers = _number(_describe(lines), _shared(lines))
    lines = lines.with_columns(
        numbers["epoch"].gather(lines["segment"] - 1),
        seq=pl.when("counted").then("seq").otherwise("wall"),
        nth=pl.when("counted").then("odd").otherwise(_nth(lines)),
    )
    return _adopt(lines.drop("segment", "odd", "content"))


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


@dataclass
class _Segment:
    """A piece of a file, later a union of such pieces, on its way to an epoch."""

    dev: int
    counted: bool
    zone: str
    files: set[int]
    members: list[int]
    low: int
    high: int
    first: int
    last: int
    least_lag: int  # wall clock minus record: what a reset of the counter changes
    most_lag: int
    seen: int  # time of the earliest export that holds rows of it
    after: set[int] = field(default_factory=set)  # segments that a file shows to come before this one

    @property
    def place(self) -> tuple[int, ...]:
        """Where it stands in time as far as its own clock says, with full tie-breakers."""
        if self.counted:
            return (self.first, self.last, self.low, self.high)
        # Pieces of an hour that comes twice stand in the order in which exports first showed them.
        return (zone_of(self.zone).repeat_began(self.first), self.seen, self.first, self.last)

    def take(self, other: _Segment) -> None:
        """Become the union of both."""
        self.files |= other.files
        self.members += other.members
        self.after |= other.after
        self.low, self.high = min(self.low, other.low), max(self.high, other.high)
        self.first, self.last = min(self.first, other.first), max(self.last, other.last)
        self.least_lag = min(self.least_lag, other.least_lag)
        self.most_lag = max(self.most_lag, other.most_lag)
        self.seen = min(self.seen, other.seen)


def _describe(lines: pl.DataFrame) -> dict[int, _Segment]:
    table = (
        lines.group_by("segment", maintain_order=True)
        .agg(
            pl.col("dev", "file_no", "counted", "zone").first(),
            low=pl.col("seq").min(),
            high=pl.col("seq").max(),
            first=pl.col("wall").min(),
            last=pl.col("wall").max(),
            least_lag=(pl.col("wall") - pl.col("seq")).min(),
            most_lag=(pl.col("wall") - pl.col("seq")).max(),
            seen=pl.col("exported").first(),
        )
        .with_columns(pl.col("low", "high", "least_lag", "most_lag").fill_null(0))
    )
    found: dict[int, _Segment] = {}
    before: tuple[int, int] | None = None
    for row in table.iter_rows(named=True):
        number = row["segment"]
        found[number] = _Segment(
            row["dev"],
            row["counted"],
            row["zone"],
            {row["file_no"]},
            [number],
            row["low"],
            row["high"],
            row["first"],
            row["last"],
            row["least_lag"],
            row["most_lag"],
            row["seen"],
        )
        if before == (row["dev"], row["file_no"]):
            found[number].after.add(number - 1)
        before = (row["dev"], row["file_no"])
    return found


def _shared(lines: pl.DataFrame) -> list[tuple[int, int]]:
    """
    Pairs of segments that hold the same rows, most rows first.

    With a counter the same row is the same record, clock and session. Without, it is the same clock and
    session, and in an hour that the zone repeats also the same readings.
    """
    key = ["dev", "counted", "session", "seq", "wall", "content"]
    rows = in_order(
        lines.select(*key[:-1], _content_in_repeats(lines).rank("dense"), "segment"), *key, "segment"
    )
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


def _content_in_repeats(lines: pl.DataFrame) -> pl.Series:
    """The digest of the readings of lines without a counter in an hour that comes twice; else null."""
    telling = pl.Series(np.zeros(len(lines), dtype=bool))
    for name in lines["zone"].filter(~lines["counted"]).unique().sort().to_list():
        twice = pl.Series(zone_of(name).is_repeated(lines["wall"].to_numpy()))
        telling = telling | (twice & (lines["zone"] == name))
    return lines.select(pl.when(telling & ~pl.col("counted")).then("content").alias("content")).to_series()


def _number(segments: dict[int, _Segment], shared: list[tuple[int, int]]) -> pl.DataFrame:
    """Unite segments into epochs and count these from 0 in each device's order of time."""
    holder = {number: number for number in segments}

    def find(number: int) -> int:
        while holder[number] != number:
            holder[number] = holder[holder[number]]
            number = holder[number]
        return number

    def unite(one: int, other: int) -> int:
        low, high = min(one, other), max(one, other)
        segments[low].take(segments[high])
        holder[high] = low
        return low

    for one, other in shared:
        a, b = find(one), find(other)
        # Rows of one file lie in different laps for a reason; a counter never repeats with its clock.
        if a != b and (segments[a].counted or not segments[a].files & segments[b].files):
            unite(a, b)

    groups: dict[tuple[int, bool], list[int]] = defaultdict(list)
    for number in segments:
        if find(number) == number:
            groups[segments[number].dev, segments[number].counted].append(number)
    epochs: dict[int, int] = {}
    for roots in groups.values():
        epoch, previous = -1, None
        for root in _in_time(roots, segments, find):
            if previous is not None and _continues(segments[previous], segments[root]):
                previous = unite(previous, root)
            else:
                epoch, previous = epoch + 1, root
            epochs[previous] = epoch
    table = [(number, epochs[find(number)]) for number in segments]
    return pl.DataFrame(table, schema={"segment": pl.Int64, "epoch": pl.Int32}, orient="row")


def _in_time(roots: list[int], segments: dict[int, _Segment], find: Callable[[int], int]) -> list[int]:
    """A device's segments in order of time: by their clocks, but never against the order inside a file."""
    here = set(roots)
    later: dict[int, set[int]] = defaultdict(set)
    waiting = dict.fromkeys(roots, 0)
    for root in roots:
        for earlier in {find(number) for number in segments[root].after}:
            if earlier in here and earlier != root and root not in later[earlier]:
                later[earlier].add(root)
                waiting[root] += 1
    free = [(segments[root].place, root) for root in roots if not waiting[root]]
    heapify(free)
    order: list[int] = []
    while waiting:
        if not free:  # files contradict one another: go on with the earliest clock
            free = [min((segments[root].place, root) for root in waiting)]
        _, root = heappop(free)
        if root not in waiting:
            continue
        del waiting[root]
        order.append(root)
        for other in sorted(other for other in later[root] if other in waiting):
            waiting[other] -= 1
            if not waiting[other]:
                heappush(free, (segments[other].place, other))
    return order


def _continues(one: _Segment, other: _Segment) -> bool:
    """Whether two segments without common rows, the first earlier by its clock, are one epoch."""
    if one.files & other.files:
        return False
    if not one.counted:
        return other.first > one.last or not zone_of(one.zone).is_repeated(np.array([other.first]))[0]
    if other.low > one.high:
        return True
    if other.high < one.low:
        return other.seen < one.seen
    return other.least_lag <= one.most_lag and one.least_lag <= other.most_lag
