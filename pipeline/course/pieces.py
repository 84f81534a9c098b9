"""Pieces of files on their way to epochs: what is known of each, and which were found to be one."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.course.zones import zone_of


@dataclass
class Piece:
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
    after: set[int] = field(default_factory=set)  # pieces that were found to come before this one
    apart: set[int] = field(default_factory=set)  # pieces that are another lap of the clock

    @property
    def place(self) -> tuple[int, ...]:
        """Where it stands in time as far as its own clock says, with full tie-breakers."""
        if self.counted:
            return (self.first, self.last, self.low, self.high)
        # Pieces of an hour that comes twice stand in the order in which exports first showed them.
        return (zone_of(self.zone).repeat_began(self.first), self.seen, self.first, self.last)

    def take(self, other: Piece) -> None:
        """Become the union of both."""
        self.files |= other.files
        self.members += other.members
        self.after |= other.after
        self.apart |= other.apart
        self.low, self.high = min(self.low, other.low), max(self.high, other.high)
        self.first, self.last = min(self.first, other.first), max(self.last, other.last)
        self.least_lag = min(self.least_lag, other.least_lag)
        self.most_lag = max(self.most_lag, other.most_lag)
        self.seen = min(self.seen, other.seen)


class Pieces:
    """All pieces by their number; those found to be one are united under the lowest number of theirs."""

    def __init__(self, lines: pl.DataFrame) -> None:
        """Describe the pieces of lines from `cut_segments`."""
        self._by_number = _describe(lines)
        self._holder = {number: number for number in self._by_number}

    def __getitem__(self, number: int) -> Piece:
        return self._by_number[self.find(number)]

    def numbers(self) -> list[int]:
        """Every piece's own number."""
        return list(self._by_number)

    def roots(self) -> list[int]:
        """The numbers that stand for pieces, united or single."""
        return [number for number in self._by_number if self.find(number) == number]

    def find(self, number: int) -> int:
        """The number under which a piece stands by now."""
        holder = self._holder
        while holder[number] != number:
            holder[number] = holder[holder[number]]
            number = holder[number]
        return number

    def share_file(self, one: int, other: int) -> bool:
        """Whether a file holds rows of both: then it cut them apart for a reason."""
        return not self[one].files.isdisjoint(self[other].files)

    def unite(self, one: int, other: int) -> int:
        """Make one piece of two; its number."""
        low, high = sorted((self.find(one), self.find(other)))
        if low != high:
            self._by_number[low].take(self._by_number[high])
            self._holder[high] = low
        return low

    def before(self, number: int) -> set[int]:
        """The numbers of the pieces that were found to come right before this one."""
        return {self.find(earlier) for earlier in self[number].after} - {self.find(number)}

    def precedes(self, one: int, other: int) -> bool:
        """Whether the first was found to come before the other, through whatever lies between."""
        sought, seen, waiting = self.find(one), set[int](), [self.find(other)]
        while waiting:
            for earlier in self.before(waiting.pop()) - seen:
                if earlier == sought:
                    return True
                seen.add(earlier)
                waiting.append(earlier)
        return False


def _describe(lines: pl.DataFrame) -> dict[int, Piece]:
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
    found: dict[int, Piece] = {}
    before: tuple[int, int] | None = None
    for row in table.iter_rows(named=True):
        number = row["segment"]
        found[number] = Piece(
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
