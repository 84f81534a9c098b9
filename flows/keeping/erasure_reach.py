"""Which minutes of which devices an erasure reaches: stretches of uses, and the marks of their wall clock."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

import polars as pl

from flows.loading.request import Request
from flows.loading.stale import IN_FORCE, read_ward
from pipeline.cohort.claims import sound
from pipeline.cohort.erased import Erased
from pipeline.cohort.holding import held_of
from pipeline.course.dated import dated_lines
from pipeline.store import Home
from schemas.lake import LOAD_FILE, MINUTE, TRACE, USE_TABLE

_DRAIN = ["site", "drain_key"]
_DEVICES = 50  # whose rows are held in memory at once
_AROUND = timedelta(days=1)  # of a use that is erased whole: minutes that nobody has seen yet

# site:device, use_id, session, from, until, whether it begins and ends with the use
Stretch = tuple[str, str, int, datetime, datetime, bool, bool]


def stretches_of(home: Home, known: pl.DataFrame, keys: pl.DataFrame, alone: Sequence[str]) -> list[Stretch]:
    """The stretches of device uses that go."""
    uses = home.lake.scan(USE_TABLE).collect().sort("use_id")
    in_force = read_ward(home).registry
    unseen = known.join(keys, on=_DRAIN, how="semi").join(in_force, on=_DRAIN, how="anti")
    held = held_of(uses, sound(pl.concat([in_force, unseen.select(in_force.columns)]))).holders
    mine = held.join(keys, on=_DRAIN, how="semi")
    theirs = held.join(keys, on=_DRAIN, how="anti").join(mine, on="use_id", how="semi")
    spans: dict[str, list[tuple[datetime, datetime, bool]]] = defaultdict(list)
    for frame, is_mine in ((mine, True), (theirs, False)):
        for use_id, begins, ends in frame.select("use_id", "from_at", "until_at").rows():
            spans[use_id].append((begins, ends, is_mine))
    found: list[Stretch] = []
    columns = ("use_id", "site", "device", "session", "started_at", "ended_at")
    for use_id, site, device, session, started, ended in uses.select(columns).rows():
        owner = f"{site}:{device}"
        if use_id in alone:
            found.append((owner, use_id, session, started, ended, True, True))
        for begins, ends in _gone(spans.get(use_id, []), started, ended):
            found.append((owner, use_id, session, begins, ends, begins == started, ends == ended))
    return found


def _gone(
    spans: Sequence[tuple[datetime, datetime, bool]], started: datetime, ended: datetime
) -> list[tuple[datetime, datetime]]:
    """The stretches of one use that are only theirs, with the minutes nobody claims that go with them."""
    if not any(is_mine for *_, is_mine in spans):
        return []
    ends = sorted({started, ended, *(at for begins, until, _ in spans for at in (begins, until))})
    fates: list[bool | None] = []
    for at, until in pairwise(ends):
        holders = [mine for begins, over, mine in spans if begins <= at and until <= over]
        fates.append(None if not holders else all(holders))
    for piece, fate in enumerate(fates):
        if fate is None and piece:
            fates[piece] = fates[piece - 1]
    first = next((fate for fate in fates if fate is not None), True)
    fates = [first if fate is None else fate for fate in fates]
    joined: list[tuple[datetime, datetime]] = []
    for begins, until, fate in zip(ends[:-1], ends[1:], fates, strict=True):
        if fate and joined and joined[-1][1] == begins:
            joined[-1] = (joined[-1][0], until)
        elif fate:
            joined.append((begins, until))
    return joined


def marks_of(
    home: Home, stretches: Sequence[Stretch], erased: Erased, request: Request
) -> Iterator[tuple[set[str], int, int, set[str]]]:
    """Device by device: the marks of its erased wall clock, rows of others hit, rows hit, files hit."""
    of_device: dict[str, list[Stretch]] = defaultdict(list)
    for stretch in stretches:
        of_device[stretch[0]].append(stretch)
    files = home.lake.scan(LOAD_FILE).collect()
    counting = files.filter(pl.col("status").is_in(IN_FORCE))["file_sha256"].implode()
    every_use = home.lake.scan(USE_TABLE).collect()
    near_minutes, near_traces = MINUTE.empty(), TRACE.empty()
    for at, (owner, theirs) in enumerate(sorted(of_device.items())):
        if at % _DEVICES == 0:
            some = sorted(of_device)[at : at + _DEVICES]
            near = pl.col("device").is_in([name.partition(":")[2] for name in some])
            near_minutes = home.lake.scan(MINUTE).filter(near).collect()
            near_traces = home.lake.scan(TRACE).filter(near).collect()
        site, _, device = owner.partition(":")
        here = (pl.col("site") == site) & (pl.col("device") == device)
        minutes = near_minutes.filter(here)
        in_force = minutes.filter(pl.col("file_sha256").is_in(counting))
        traces = near_traces.filter(here & pl.col("file_sha256").is_in(counting))
        uses = every_use.filter(here)
        lines = dated_lines(in_force, traces, files, uses, request.definitions)
        gone = pl.lit(False)
        for _, use_id, _, begins, ends, _, _ in theirs:
            gone |= (pl.col("use_id") == use_id) & pl.col("minute").is_between(begins, ends, closed="left")
        lines = lines.with_columns(gone=gone)
        marks: set[str] = set()
        for _, use_id, session, begins, ends, opens, closes in theirs:
            own = lines.filter(pl.col("use_id") == use_id, "gone").filter(
                pl.col("minute").is_between(begins, ends, closed="left")
            )
            if not own.height:
                continue
            others = lines.filter(pl.col("session") == session, ~pl.col("gone"))["clock"]
            keep = set(others) - set(lines.filter(pl.col("session") == session, "gone")["clock"])
            first, last = own["clock"].sort()[0], own["clock"].sort()[-1]
            if opens:
                first = datetime.combine((first - _AROUND).date(), datetime.min.time())
            if closes:
                last = datetime.combine((last + _AROUND).date(), datetime.max.time())
            marks |= set(erased.stretch(site, device, session, first, last, keep))
        told = erased.with_marks(marks)
        hit = told.minutes(minutes)
        collided = int((told.minutes(lines) & ~lines["gone"]).sum())
        yield marks, collided, int(hit.sum()), set(minutes.filter(hit)["file_sha256"])
