"""A published drain made of a hand-made course, without a ledger: what a page would ask of the database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.course import Course
from pipeline.marts import build
from schemas.published import (
    ALERT,
    CANISTER,
    CHANGE,
    DRAIN,
    DRAIN_DAY,
    DRAIN_USE,
    PERIOD,
    PROVENANCE,
)
from schemas.table import Table
from schemas.vocabulary import PeriodKind

ID = "DTOLD7NB3INBCKLH"


class ToldDrain:
    """
    One drain and its tables, in an engine of their own.

    What the pipeline would add up (leak, outcome, days) is as the caller says; the rest follows from the course.
    """

    def __init__(
        self,
        *courses: Course,
        drain_id: str = ID,
        changes: Sequence[Mapping[str, Any]] = (),
        days: Sequence[Mapping[str, Any]] = (),
        **drain: Any,
    ) -> None:
        self.drain_id = drain_id
        mine = {"drain_id": pl.lit(drain_id)}
        minutes = pl.concat([c.minutes for c in courses]) if courses else None
        self.course = None if minutes is None else minutes.sort("minute")
        self.frames = {
            "drain": _conformed(
                DRAIN,
                pl.DataFrame([{**_drain(minutes), "drain_id": drain_id, **drain}], infer_schema_length=None),
            ),
            "period": _of(PERIOD, [c.periods for c in courses], mine),
            "alert": _of(ALERT, [c.alerts for c in courses], mine),
            "canister": _of(CANISTER, [c.canisters for c in courses], mine),
            "drain_day": _rows(DRAIN_DAY, days, drain_id),
            "change": _rows(CHANGE, changes, drain_id),
            "drain_use": _uses(minutes, drain_id),
            "provenance": _rows(
                PROVENANCE,
                [{"code_version": "0.0+test", "settings_digest": "d" * 64, "lake_versions": "{}"}],
                None,
            ),
        }
        self._engine = duckdb.connect()
        self._engine.execute("SET TimeZone = 'UTC'")
        for name, frame in self.frames.items():
            self._engine.register(f"{name}_told", frame)
            self._engine.execute(f"CREATE TABLE {name} AS SELECT * FROM {name}_told")
        if minutes is not None:
            self._engine.register("course_told", minutes)
            self._engine.execute("CREATE TABLE course AS SELECT * FROM course_told")
            sql = (Path(build.__file__).parent / "sql" / "minute.sql").read_text(encoding="utf-8")
            self._engine.execute(sql.replace("$course", "course"))
        else:
            from schemas.views import MINUTE_VIEW

            self._engine.register("minute_told", MINUTE_VIEW.empty())
            self._engine.execute("CREATE TABLE minute AS SELECT * FROM minute_told")

    def __call__(self, sql: str, *values: Any) -> pl.DataFrame:
        """Answer one SELECT."""
        return self._engine.sql(sql, params=list(values)).pl()


def _drain(minutes: pl.DataFrame | None) -> dict[str, Any]:
    plain = {
        "site": "lakeside",
        "linked": True,
        "shared_use": False,
        "uses": 1,
        "minutes_observed": 0,
        "prolonged_leak": "unknown",
        "prolonged_leak_reason": "too_little_data",
    }
    if minutes is None:
        return {**plain, "uses": 0, "prolonged_leak_reason": "no_log"}
    seen = minutes.filter("observed")
    begin = seen["minute"].min()
    tilted = seen["flags"].list.contains(PeriodKind.TILTED.value).sum()
    verdicts = {
        f"tidaling_{v}_minutes": seen.filter(tidaling=v).height
        for v in ("present", "absent", "indeterminate", "not_assessable")
    }
    return {
        **plain,
        **verdicts,
        "unit": "T4",
        "procedure": "lobectomy",
        "side": "left",
        "tube_french": 24.0,
        "started_at": begin,
        "ended_at": seen["minute"].max(),
        "origin_at": begin,
        "origin_day": begin.date(),
        "tube_in_at": begin,
        "tube_out_at": seen["minute"].max(),
        "procedure_end_at": begin,
        "removal_reason": "planned",
        "minutes_observed": seen.height,
        "minutes_expected": minutes.height,
        "completeness": seen.height / minutes.height,
        "tilted_minutes": tilted,
        "pause_hours": 0.0,
        "run_hours": seen.height / 60,
        "occlusion_minutes": 0,
        "output_ml": 900.0,
        "canister_changes": 0,
        "alert_count": 0,
        "leak_ongoing_at_end": False,
        "leak_hours": 0.0,
        "leak_recurrences": 0,
        "prolonged_leak": "no",
        "prolonged_leak_reason": None,
        "uses": minutes["use_id"].n_unique(),
    }


def _uses(minutes: pl.DataFrame | None, drain_id: str) -> pl.DataFrame:
    if minutes is None:
        return DRAIN_USE.empty()
    spans = minutes.group_by("use_id").agg(
        from_at=pl.col("minute").min(), until_at=pl.col("minute").max() + pl.duration(minutes=1)
    )
    return _conformed(
        DRAIN_USE, spans.with_columns(drain_id=pl.lit(drain_id), output_before_ml=pl.lit(0.0))
    ).sort("from_at")


def _of(table: Table, frames: Sequence[pl.DataFrame], mine: Mapping[str, pl.Expr]) -> pl.DataFrame:
    return pl.concat([_conformed(table, frame.with_columns(**mine)) for frame in frames] or [table.empty()])


def _rows(table: Table, rows: Sequence[Mapping[str, Any]], drain_id: str | None) -> pl.DataFrame:
    if not rows:
        return table.empty()
    named = {} if drain_id is None else {"drain_id": drain_id}
    return _conformed(table, pl.DataFrame([{**named, **row} for row in rows]))


def _conformed(table: Table, frame: pl.DataFrame) -> pl.DataFrame:
    """In the table's columns and types; what nobody said is null."""
    lacking = [pl.lit(None).alias(name) for name in table.names if name not in frame.columns]
    return frame.with_columns(lacking).select(
        pl.col(name).cast(dtype) for name, dtype in table.dtypes.items()
    )
