"""What happened over a drain's course, as bands in named lanes: days, devices, findings, alerts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.report.drain_clock import SiteClock
from pipeline.report.drain_record import DrainRecord, clock_steps
from pipeline.report.drain_words import GRADES, NOTES, RINGS, long
from pipeline.report.flag_rows import BANDS, ROWS
from pipeline.report.look import GREYS

_MINUTE = timedelta(minutes=1)
_PAPER, _NOTE, _ALERT = GREYS[4], "#E69F00", GREYS[2]


@dataclass(frozen=True)
class Band:
    """One stretch in one lane: what it is, how it is labelled, what is said when it is pointed at."""

    lane: str
    start: datetime
    end: datetime
    colour: str
    label: str = ""
    grade: str = ""
    detail: str = ""
    moment: bool = False  # a moment, drawn with its label beside it


def bands(record: DrainRecord, clock: SiteClock, begin: datetime, end: datetime) -> list[Band]:
    """
    Everything with a beginning and an end, lane by lane from top to bottom, each lane in time order.

    Lanes that would be empty are left out, so a page has as many as its drain has kinds of events.

    Parameters
    ----------
    begin, end
        Of the strip; what reaches beyond is cut there.
    """
    every = [*_days(record, clock, begin, end), *_devices(record), *_canisters(record, end)]
    every += [*_clock_steps(record), *_notes(record), *_findings(record), *_alerts(record)]
    inside = [band for band in every if band.start < end and band.end > begin]
    lanes = list(dict.fromkeys(band.lane for band in inside))
    return sorted(inside, key=lambda band: (lanes.index(band.lane), band.start, band.end))


def _days(record: DrainRecord, clock: SiteClock, begin: datetime, end: datetime) -> Iterator[Band]:
    origin = record.drain["origin_day"]
    at, shade = begin, False
    while at < end:
        wall = clock.wall(at)
        midnight = _local_midnight(clock, at, wall)
        number = "" if origin is None else f"day {(wall.date() - origin).days}, "
        yield Band(
            "day", at, min(midnight, end), GREYS[4] if shade else "#FFFFFF", f"{number}{wall:%a %d %b}"
        )
        at, shade = midnight, not shade


def _local_midnight(clock: SiteClock, at: datetime, wall: datetime) -> datetime:
    """The instant at which the next local day begins."""
    begins = (wall + timedelta(days=1)).replace(hour=0, minute=0)
    guess = at + (begins - wall)
    return guess - (clock.wall(guess) - begins)


def _devices(record: DrainRecord) -> Iterator[Band]:
    for row in record.uses.iter_rows(named=True):
        name = f"{row['device']}, session {row['session']}"
        yield Band("device", row["from_at"], row["until_at"], _PAPER, name)


def _canisters(record: DrainRecord, end: datetime) -> Iterator[Band]:
    for row in record.canisters.iter_rows(named=True):
        volume = "volume not known" if row["volume_ml"] is None else f"{row['volume_ml']:,.0f} mL"
        until = row["until_at"] or max(end, row["fitted_at"] + _MINUTE)
        yield Band("canister", row["fitted_at"], until, _PAPER, f"{row['canister_no']}", detail=volume)


def _clock_steps(record: DrainRecord) -> Iterator[Band]:
    for minute, by in clock_steps(record.minutes).select("minute", "clock_step_minutes").iter_rows():
        label, detail = _moved(by)
        yield Band("clock", minute, minute + _MINUTE, _NOTE, label, detail=detail, moment=True)


def _moved(by: int | None) -> tuple[str, str]:
    if by is None:
        return "clock moved", "the device's clock moved, or the log jumps; how far is not known"
    if by < 0:
        return f"clock set back {long(-by)}", "the device's clock was set back: its times came twice"
    return (
        f"log jumps {long(by)} ahead",
        "the device was switched off, or its clock was set ahead: the log cannot tell which",
    )


def _notes(record: DrainRecord) -> Iterator[Band]:
    for row in record.annotations.iter_rows(named=True):
        words, until = NOTES.get(row["kind"], row["kind"]), row["ended_at"]
        detail = "as noted by staff, not read from the log" + ("" if until else "; no end noted")
        at_once = until is None or until <= row["started_at"]
        until = row["started_at"] + _MINUTE if at_once else until
        yield Band("staff noted", row["started_at"], until, _NOTE, words, detail=detail, moment=at_once)


def _findings(record: DrainRecord) -> Iterator[Band]:
    for kind, lane in ROWS.items():
        for row in record.periods.filter(pl.col("kind") == kind.value).iter_rows(named=True):
            grade = GRADES.get(row["grade"] or "", row["grade"] or "")
            label = f"{grade}, {long(row['minutes'])}" if grade else long(row["minutes"])
            yield Band(
                lane, row["started_at"], row["ended_at"], BANDS[kind.value], label, grade, row["detail"] or ""
            )


def _alerts(record: DrainRecord) -> Iterator[Band]:
    for (code,), rows in record.alerts.sort("code", "started_at").group_by("code", maintain_order=True):
        lane = f"rings: {RINGS.get(str(code), str(code).replace('_', ' '))}"
        for row in rows.iter_rows(named=True):
            left = (
                f"cleared after {long(row['minutes_to_clear'])}"
                if row["minutes_to_clear"] is not None
                else "still rang where the log stops or has a hole: when it was cleared is not known"
            )
            yield Band(lane, row["started_at"], row["ended_at"], _ALERT, long(row["minutes"]), detail=left)
