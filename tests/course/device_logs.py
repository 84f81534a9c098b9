"""Invented logs of a device whose true time is known, and the exports they are cut into."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.course.resolve import Resolved, resolve
from pipeline.definitions import load_definitions
from schemas.lake import LOAD_FILE, MINUTE, TRACE

ZURICH = "Europe/Zurich"
MINUTE_LONG = timedelta(minutes=1)
Clock = Callable[[datetime], datetime]


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc]


def following(zone: str = ZURICH) -> Clock:
    """A clock that shows the zone's official time."""
    return lambda instant: instant.astimezone(ZoneInfo(zone)).replace(tzinfo=None)


def ahead(minutes: int) -> Clock:
    """A clock that never jumps."""
    return lambda instant: instant.replace(tzinfo=None) + timedelta(minutes=minutes)


def until(change: datetime, before: Clock, after: Clock) -> Clock:
    """One clock up to an instant and another from it on."""
    return lambda instant: (before if instant < change else after)(instant)


def steady(start: datetime, minutes: int) -> list[datetime]:
    return [start + i * MINUTE_LONG for i in range(minutes)]


@dataclass(frozen=True)
class Line:
    """What a device wrote about one minute, and when that truly was."""

    truth: datetime
    clock: datetime
    record: int | None
    session: int
    pressure: float | None
    alerts: tuple[str, ...] | None = ()
    state: str = "run"
    trace: tuple[float, ...] | None = None
    rate: float = 4.0


def written(
    instants: Sequence[datetime],
    clock: Clock,
    *,
    record: int | None = 1,
    session: int = 1,
    first: int = 0,
) -> list[Line]:
    """Lines for these minutes; every one has a pressure of its own by which to know it again."""
    return [
        Line(
            instant,
            clock(instant),
            None if record is None else record + i,
            session,
            -(first + i + 1) / 100,
        )
        for i, instant in enumerate(instants)
    ]


@dataclass(frozen=True)
class Export:
    """One file."""

    lines: Sequence[Line]
    exported_at: datetime = datetime(2032, 1, 1, tzinfo=UTC)
    device: str = "DV-1"
    site: str = "lakeside"
    zone: str | None = ZURICH
    follows: bool | None = None
    name: str = ""
    complete: bool | None = None

    @cached_property
    def digest(self) -> str:
        text = (
            f"{self.name}{self.device}{self.exported_at}{self.zone}{self.follows}{self.complete}{self.lines}"
        )
        return hashlib.sha256(text.encode()).hexdigest()


Frames = tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]


def frames(exports: Sequence[Export]) -> Frames:
    """MINUTE, TRACE and LOAD_FILE rows of these files."""
    minutes, traces, files = [], [], []
    for export in exports:
        for number, line in enumerate(export.lines):
            loaded = {
                "file_sha256": export.digest,
                "line": number + 9,
                "site": export.site,
                "device": export.device,
                "session": line.session,
                "record": line.record,
                "clock": line.clock,
                "month": f"{line.clock:%Y-%m}",
            }
            alerts = None if line.alerts is None else list(line.alerts)
            minutes.append(
                loaded | {"state": line.state, "pressure_mean_cmh2o": line.pressure, "alerts": alerts}
            )
            if line.trace is not None:
                traces.append(loaded | {"rate_hz": line.rate, "samples_cmh2o": list(line.trace)})
        files.append(
            {
                "file_sha256": export.digest,
                "site": export.site,
                "device": export.device,
                "exported_at": export.exported_at,
                "timezone": export.zone,
                "clock_follows_dst": export.follows,
                "complete": export.complete,
                "status": "loaded",
            }
        )
    return (
        _frame(minutes, MINUTE.dtypes),
        _frame(traces, TRACE.dtypes),
        _frame(files, LOAD_FILE.dtypes).unique("file_sha256", maintain_order=True),
    )


def _frame(rows: list[dict[str, object]], dtypes: dict[str, pl.DataType]) -> pl.DataFrame:
    blank = dict.fromkeys(dtypes)
    return pl.DataFrame([blank | row for row in rows], schema=dtypes, orient="row")


def resolved(*exports: Export) -> Resolved:
    return resolve(*frames(exports), load_definitions())


def shown(result: Resolved) -> dict[float, datetime]:
    """The minute of each line by its own pressure."""
    columns = result.minutes.select("pressure_mean_cmh2o", "minute").iter_rows()
    return {pressure: minute.astimezone(UTC) for pressure, minute in columns}


def truth(lines: Sequence[Line]) -> dict[float, datetime]:
    return {line.pressure: line.truth for line in lines if line.pressure is not None}


def cut(lines: Sequence[Line], pieces: Sequence[tuple[int, int]], **about: object) -> list[Export]:
    """Exports of the pieces [from, to) of a log, each made a minute after its last line truly was."""
    return [
        replace(Export(lines[a:b], lines[b - 1].truth + MINUTE_LONG, name=str(i)), **about)  # type: ignore[arg-type]
        for i, (a, b) in enumerate(pieces)
        if b > a
    ]
