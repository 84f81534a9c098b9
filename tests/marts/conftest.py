"""A small invented cohort as the frames that publishing takes, and ways to bend it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.definitions import load_definitions
from pipeline.marts import publish
from pipeline.marts.build import GIVEN
from pipeline.store import Home
from schemas.lake import COURSE
from schemas.table import Table

Frames = dict[str, pl.DataFrame]
Row = Mapping[str, Any]

LATE = datetime(2031, 6, 1, tzinfo=UTC)


def rows_of(table: Table, rows: Sequence[Row], **given: Any) -> pl.DataFrame:
    """Rows of a table; what a row does not say is taken from `given`, else null."""
    full = [{name: row.get(name, given.get(name)) for name in table.names} for row in rows]
    return pl.DataFrame(full, schema=table.dtypes)


def at(day: int, hour: int = 0, minute: int = 0, month: int = 3) -> datetime:
    return datetime(2031, month, day, hour, minute, tzinfo=UTC)


_DRAIN_DEFAULTS: dict[str, Any] = {
    "site": "lakeside",
    "linked": True,
    "shared_use": False,
    "uses": 1,
    "minutes_observed": 1440,
    "prolonged_leak": "no",
}


def drain_row(drain_id: str, origin: datetime | None = None, **more: Any) -> dict[str, Any]:
    return {
        **_DRAIN_DEFAULTS,
        "drain_id": drain_id,
        "origin_at": origin,
        "origin_day": None if origin is None else origin.date(),
        **more,
    }


class Cohort:
    """Frames by name that start empty; tests put rows in and publish."""

    def __init__(self) -> None:
        self.frames: Frames = {t.name: t.empty() for t in GIVEN}
        self.course_files: list[str] = []

    def put(self, name: str, rows: Sequence[Row], **given: Any) -> Cohort:
        table = {t.name: t for t in GIVEN}[name]
        self.frames[name] = pl.concat([self.frames[name], rows_of(table, rows, **given)])
        return self

    def drains(self, *rows: Row) -> Cohort:
        return self.put("drain", rows)

    def operations(self, *rows: Row) -> Cohort:
        return self.put("operation", rows, site="lakeside", drains=1, prolonged_leak="no")

    def course(self, folder: Path, rows: Sequence[Row], name: str = "part-0.parquet") -> Cohort:
        folder.mkdir(parents=True, exist_ok=True)
        frame = rows_of(
            COURSE,
            rows,
            site="lakeside",
            device="DV-0001",
            session=1,
            utc_offset_minutes=60,
            span=0,
            observed=True,
            tidaling="not_assessable",
            assessable=False,
            flags=[],
            annotations=[],
            against_log=[],
            clock_step=False,
        )
        path = folder / name
        frame.write_parquet(path)
        self.course_files.append(str(path.resolve()))
        return self

    def publish(self, target: Path) -> Path:
        publish(target, self.frames, self.course_files, load_definitions())
        return target


@pytest.fixture
def nothing() -> Cohort:
    return Cohort()


@pytest.fixture(scope="session")
def new_cohort() -> type[Cohort]:
    """For tests that need many cohorts."""
    return Cohort


@pytest.fixture
def ward_month() -> Cohort:
    """See `_ward_month`; every test gets its own to bend."""
    return _ward_month()


@pytest.fixture(scope="session")
def make_ward_month() -> Callable[[], Cohort]:
    """The same, for a module that publishes once and only asks."""
    return _ward_month


def _ward_month() -> Cohort:
    """
    Lakeside, March 2031, ward A, one procedure: nine operations (one with two drains) — two yes, six no,
    one unknown — and in `north` three unlinked drains: one yes, one no, one unknown.
    """
    cohort = Cohort()
    operations, drains = [], []
    outcomes = ["yes", "yes", "no", "no", "no", "no", "no", "no", "unknown"]
    for number, outcome in enumerate(outcomes, start=1):
        origin = at(number, 12)
        shared = {
            "unit": "A",
            "procedure": "lobectomy",
            "prolonged_leak": outcome,
            "prolonged_leak_reason": "died" if outcome == "unknown" else None,
        }
        tubes = 2 if number == 1 else 1
        operations.append(
            {
                **shared,
                "operation_id": f"op{number}",
                "origin_at": origin,
                "origin_day": origin.date(),
                "drains": tubes,
            }
        )
        for tube in range(tubes):
            drains.append(
                drain_row(
                    f"d{number}{'ab'[tube]}",
                    origin,
                    **shared,
                    operation_id=f"op{number}",
                    ended_at=origin + timedelta(days=2),
                    tube_in_at=origin,
                    tube_out_at=origin + timedelta(days=2),
                )
            )
    for number, outcome in enumerate(["yes", "no", "unknown"], start=1):
        origin = at(number, 6, month=4)
        drains.append(
            drain_row(
                f"n{number}",
                origin,
                site="north",
                linked=False,
                prolonged_leak=outcome,
                prolonged_leak_reason="still_in" if outcome == "unknown" else None,
                ended_at=origin + timedelta(days=2),
            )
        )
    cohort.operations(*operations).drains(*drains)
    cohort.put(
        "load_file",
        [{"file_sha256": "a" * 64, "site": "lakeside", "exported_at": LATE}],
        status="loaded",
        rows_read=1,
        rows_kept=1,
        rows_rejected=0,
        loaded_at=LATE,
    )
    return cohort


@pytest.fixture(scope="session")
def sample_home(loaded_samples: Home) -> Home:
    """The sample logs as loaded; for tests that only ask."""
    return loaded_samples


@pytest.fixture(scope="session")
def minutes_from() -> Callable[..., list[dict[str, Any]]]:
    """Dense course rows of one use, a row a minute, each with what the caller says."""

    def rows(use_id: str, start: datetime, count: int, **columns: Any) -> list[dict[str, Any]]:
        return [
            {
                "use_id": use_id,
                "minute": start + timedelta(minutes=i),
                **{name: value(i) if callable(value) else value for name, value in columns.items()},
            }
            for i in range(count)
        ]

    return rows
