"""Drain logs in layout version 1 for tests, and the one way to read them."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.definitions import load_definitions
from pipeline.ingest import ReadLog, load_profiles, read_log
from schemas.lake import LOAD_FILE, MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE

DATA = Path(__file__).parent / "data"
PROFILES = load_profiles()
DEFINITIONS = load_definitions()
HEADER = (
    "record,clock,session,state,set_pressure,pressure_mean,pressure_min,pressure_max,"
    "air_leak,canister_volume,tilt,battery,mains,alerts,trace"
)
COLUMNS = HEADER.split(",")
FIRST = datetime(2031, 3, 10, 14)


def row(minute: int = 0, **cells: object) -> str:
    """A sound row, `minute` minutes after two in the afternoon, with some cells said otherwise."""
    usual: dict[str, object] = {
        "record": 48211 + minute,
        "clock": (FIRST + timedelta(minutes=minute)).strftime("%Y-%m-%dT%H:%M"),
        "session": 17,
        "state": "run",
        "set_pressure": -20,
        "pressure_mean": -19.8,
        "pressure_min": -22.4,
        "pressure_max": -17.6,
        "air_leak": 140,
        "canister_volume": 35,
        "tilt": 1.2,
        "battery": 88,
        "mains": 1,
        "alerts": "",
        "trace": "",
    }
    assert set(cells) <= set(usual)
    return ",".join(str(value) for value in (usual | cells).values())


@dataclass(frozen=True)
class Log:
    """A log of version 1 as its lines; `data` is the file."""

    rows: tuple[str, ...] = (row(0), row(1), row(2))
    preamble: dict[str, str] = field(
        default_factory=lambda: {
            "drain-log": "1",
            "site": "lakeside",
            "device": "DV-0042",
            "exported_at": "2031-03-14T06:00:00+01:00",
            "timezone": "Europe/Zurich",
            "trace": "rate_hz=10 factor=0.1 origin=0 unit=cm[H2O]",
        }
    )
    header: str = HEADER
    end: str | None = None

    @property
    def data(self) -> bytes:
        said = [f"# {key}: {value}" for key, value in self.preamble.items()]
        ended = [] if self.end is None else [self.end]
        return "".join(f"{line}\n" for line in (*said, self.header, *self.rows, *ended)).encode()

    def saying(self, **keys: str | None) -> Log:
        """The same with preamble keys said otherwise, or (None) not at all."""
        changed = {**self.preamble, **{key: value for key, value in keys.items() if value is not None}}
        kept = {key: value for key, value in changed.items() if keys.get(key, "") is not None}
        return Log(self.rows, kept, self.header, self.end)


FIRST_ROW_LINE = 8  # six preamble lines and the header stand before it


def read(
    data: bytes, name: str = "export.csv", profile: str | None = None, site: str | None = None
) -> ReadLog:
    """Read a log and hold the answer to its contract, whatever the log was."""
    answer = read_log(data, name, PROFILES, DEFINITIONS, profile=profile, site=site)
    MINUTE.validate(answer.minutes)
    TRACE.validate(answer.traces)
    REJECTED_ROW.validate(answer.rejected)
    REJECTED_VALUE.validate(answer.rejected_values)
    file = answer.file
    assert set(file) == set(LOAD_FILE.names) - {"loaded_at"}
    LOAD_FILE.validate(
        LOAD_FILE.conform(
            pl.DataFrame([file | {"loaded_at": datetime(2031, 6, 1)}]).with_columns(
                pl.col("loaded_at").dt.replace_time_zone("UTC")
            )
        )
    )
    assert file["rows_read"] == file["rows_kept"] + file["rows_rejected"]
    assert file["rows_kept"] == answer.minutes.height
    scopes = answer.rejected["scope"].value_counts()
    counted = dict(zip(scopes["scope"], scopes["count"], strict=True))
    assert file["rows_rejected"] == counted.get("row", 0)
    assert file["cells_rejected"] == counted.get("cell", 0)
    assert (file["status"] == "loaded") == (file["reason"] is None)
    if file["status"] == "rejected":
        assert file["rows_kept"] == 0
        assert counted["file"] >= 1
    return answer


def faults(answer: ReadLog) -> list[tuple[int | None, str, str | None, str]]:
    """What was rejected, as (line, scope, column, rule)."""
    return answer.rejected.select("line", "scope", "column", "rule").rows()
