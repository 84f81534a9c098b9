"""Invented uses, registry rows and courses, small enough to work out by hand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.definitions import Definitions, load_definitions
from schemas.lake import COURSE, USE_TABLE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN

START = datetime(2031, 3, 10, 13, 0, tzinfo=UTC)


def hours(number: float) -> datetime:
    """So many hours after the tests' first minute."""
    return START + timedelta(hours=number)


def use_row(device: str = "DV-1", session: int = 1, start: float = 0, end: float = 48, **more: Any) -> dict:
    """One row of USE_TABLE, times in hours after START."""
    first = hours(start)
    site = more.get("site", "lakeside")
    return {
        "use_id": f"{site}:{device}/{session}@{first:%Y%m%dT%H%MZ}",
        "site": site,
        "device": device,
        "epoch": 0,
        "session": session,
        "stretch": 0,
        "timezone": "Europe/Zurich",
        "started_at": first,
        "ended_at": hours(end),
        "minutes_observed": round((end - start) * 60),
        "begins_with_check": True,
        "clock_uncertain": False,
        "clock_steps": 0,
        "clock_carried_minutes": 0,
        "last_export_at": hours(end),
        "later_session": False,
        **more,
    }


def registry_row(
    key: str = "d1", patient: str = "p1", in_at: float = 0, out_at: float | None = 48, **more: Any
) -> dict:
    """One row of REGISTRY_DRAIN, times in hours after START."""
    for name in ("procedure_end_at", "exported_at"):
        if isinstance(more.get(name), (int, float)):
            more[name] = hours(more[name])
    return {
        "site": "lakeside",
        "drain_key": key,
        "patient_key": patient,
        "unit": "thoracic",
        "tube_in_at": hours(in_at),
        "tube_out_at": None if out_at is None else hours(out_at),
        "removal_reason": "planned",
        "side": "left",
        "exported_at": hours(1000),
        "file_sha256": "a" * 64,
        **more,
    }


def frame(table: Any, rows: Sequence[dict]) -> pl.DataFrame:
    """Rows as a frame of a table; what a row leaves out is null."""
    full = [{name: row.get(name) for name in table.names} for row in rows]
    return pl.DataFrame(full, schema=table.dtypes)


@pytest.fixture
def use() -> Callable[..., dict]:
    return use_row


@pytest.fixture
def at() -> Callable[[float], datetime]:
    return hours


@pytest.fixture
def uses_of() -> Callable[..., pl.DataFrame]:
    return lambda *rows: frame(USE_TABLE, rows)


@pytest.fixture
def drain() -> Callable[..., dict]:
    return registry_row


@pytest.fixture
def registry_of() -> Callable[..., pl.DataFrame]:
    return lambda *rows: frame(REGISTRY_DRAIN, rows)


@pytest.fixture
def annotations_of() -> Callable[..., pl.DataFrame]:
    return lambda *rows: frame(ANNOTATION, rows)


@pytest.fixture
def definitions() -> Definitions:
    return load_definitions()


def course_rows(use: dict, leak: Callable[[int], float | None] | None = None, **columns: Any) -> pl.DataFrame:
    """
    The course of a use, minute by minute.

    `leak(minute)` is the leak in mL/min, None where the minute cannot be assessed. Any COURSE column
    may be given as a value or as a function of the minute's number; `observed=False` blanks a minute.
    """
    total = round((use["ended_at"] - use["started_at"]).total_seconds() / 60)
    numbers = range(total)

    def column(value: Any) -> list:
        return [value(i) if callable(value) else value for i in numbers]

    flow = column(leak if leak is not None else 0.0)
    given = {name: column(value) for name, value in columns.items()}
    observed = given.pop("observed", [True] * total)
    seen = [o and x is not None for o, x in zip(observed, flow, strict=True)]
    data: dict[str, list] = {
        "use_id": [use["use_id"]] * total,
        "site": [use["site"]] * total,
        "device": [use["device"]] * total,
        "session": [use["session"]] * total,
        "minute": [use["started_at"] + timedelta(minutes=i) for i in numbers],
        "utc_offset_minutes": [60] * total,
        "span": [0] * total,
        "state": ["run"] * total,
        "set_pressure_cmh2o": [-20.0] * total,
        "pressure_mean_cmh2o": [-20.0] * total,
        "air_leak_ml_min": flow,
        "canister_volume_ml": [i / 10 for i in numbers],
        "canister_no": [1] * total,
        "output_ml": [i / 10 for i in numbers],
        "tilt_deg": [1.0] * total,
        "mains": [True] * total,
        "alerts": [[] for _ in numbers],
        "tidaling": ["present"] * total,
        "tidaling_basis": ["trace"] * total,
        "assessable": [True] * total,
        "leak_median_ml_min": flow,
        "leak_least_ml_min": flow,
        "leak_on": [None if x is None else x > 20 for x in flow],
        "flags": [[] for _ in numbers],
        "annotations": [[] for _ in numbers],
        "against_log": [[] for _ in numbers],
        "clock_step": [False] * total,
        **given,
    }
    data["observed"] = observed
    data.setdefault(
        "volume_read", [o and x is not None for o, x in zip(observed, data["output_ml"], strict=True)]
    )
    data["assessable"] = [a and s for a, s in zip(data["assessable"], seen, strict=True)]
    blank = {
        "state", "set_pressure_cmh2o", "pressure_mean_cmh2o", "air_leak_ml_min", "canister_volume_ml", "tilt_deg",
        "mains", "alerts", "leak_median_ml_min", "leak_least_ml_min", "leak_on", "canister_no", "output_ml",
    }  # fmt: skip
    for name in blank:
        data[name] = [x if o else None for x, o in zip(data[name], observed, strict=True)]
    data["tidaling"] = [t if o else "not_assessable" for t, o in zip(data["tidaling"], observed, strict=True)]
    data["flags"] = [f if o else ["no_data"] for f, o in zip(data["flags"], observed, strict=True)]
    return COURSE.conform(pl.DataFrame(data, schema_overrides=COURSE.dtypes, strict=False))


@pytest.fixture
def course_of_use() -> Callable[..., pl.DataFrame]:
    return course_rows
