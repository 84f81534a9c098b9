"""How pieces of a device's log follow one another: which go on from which, and in what order of time."""

from __future__ import annotations

from collections import defaultdict
from heapq import heapify, heappop, heappush

import numpy as np
import polars as pl

from pipeline.course.pieces import Piece, Pieces
from pipeline.course.zones import zone_of


def number_pieces(pieces: Pieces) -> pl.DataFrame:
    """Unite pieces into epochs and count these from 0 in each device's order of time: `segment`, `epoch`."""
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
