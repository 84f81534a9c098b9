"""The course of device uses: what 10 000 minutes cost, whether it grows with them, and beside a plain script."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pandas as pd
import polars as pl

from pipeline.course import course_of
from pipeline.course.evidence import evidence_of
from pipeline.definitions import load_definitions
from pipeline.simulate import therapy, traces
from pipeline.simulate.plan import HOUR, Plan, Stretch
from schemas.lake import EVIDENCE, RESOLVED, USE_TABLE
from schemas.table import INSTANT
from tests.benchmarks.rows import Row, interleaved

MINUTES = 10_000
MANY = 32
# So many uses, that what is paid once a call does not hide how the rest grows.
FEW = 8
NOTHING_CUT = pl.DataFrame(schema={"use_id": pl.String, "at": INSTANT})
NOTHING_NOTED = pl.DataFrame(
    schema={"use_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "kind": pl.String}
)


def busy_plan(minutes: int) -> Plan:
    """Leak, canisters, walks, pauses, occlusions: as much to find in each hour of a long use as of a short one."""
    every = range(6 * HOUR, minutes - 6 * HOUR, 24 * HOUR)
    return Plan(
        minutes=minutes,
        leak_first_ml_min=300,
        leak_last_ml_min=60,
        sealed_minute=int(0.6 * minutes),
        canister_ml=300,
        walks=tuple(Stretch(at, at + 15) for at in every),
        pauses=tuple(Stretch(at + 100, at + 110) for at in every),
        occlusions=tuple(Stretch(at + 240, at + 330, "rings") for at in every),
        knocked_over=tuple(Stretch(at + 500, at + 560) for at in every),
        slosh=0.05,
    )


def use(minutes: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """One use of so many minutes with a trace every 5: its minutes, its row, its evidence."""
    lived = traces(therapy(seed, busy_plan(minutes)), 5)
    named = {"use_id": f"s:d{seed}/1", "site": "s", "device": f"d{seed}", "session": 1, "epoch": 0}
    rows = RESOLVED.conform(
        lived.log.with_columns(
            *(pl.lit(value).alias(name) for name, value in named.items()),
            utc_offset_minutes=60,
            exports=1,
            conflicting=False,
            clock_step=False,
            clock_uncertain=False,
        )
    )
    row = USE_TABLE.conform(
        pl.DataFrame(
            {
                **named,
                "stretch": 0,
                "timezone": "Europe/Zurich",
                "started_at": rows["minute"].min(),
                "ended_at": lived.end,
                "minutes_observed": rows.height,
                "begins_with_check": True,
                "clock_uncertain": False,
                "clock_steps": 0,
                "clock_carried_minutes": 0,
                "last_export_at": lived.end + timedelta(days=2),
                "later_session": False,
            }
        )
    )
    return rows.drop("samples_cmh2o").pipe(RESOLVED.conform), row, evidence_of(rows, load_definitions())


def together(uses: list[tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]]) -> list[pl.DataFrame]:
    """Many uses as one batch."""
    tables = (RESOLVED, USE_TABLE, EVIDENCE)
    return [
        table.conform(pl.concat(frames))
        for table, frames in zip(tables, zip(*uses, strict=True), strict=True)
    ]


def rows() -> Iterator[Row]:
    """Processor time of a use of 10 000 minutes, alone and among many; four times the minutes; beside a script."""
    definitions = load_definitions()
    one = together([use(MINUTES, 1)])

    def course(batch: list[pl.DataFrame]) -> None:
        course_of(*batch, NOTHING_CUT, NOTHING_NOTED, definitions)

    # By itself: after a large batch the processor time of a small one would hold the clearing of its memory.
    course(one)
    alone = interleaved({"one": lambda: course(one)}, rounds=15, clock=time.process_time)["one"]
    few = together([use(MINUTES, seed) for seed in range(1, FEW + 1)])
    long = together([use(4 * MINUTES, seed) for seed in range(1, FEW + 1)])
    many = together([use(MINUTES, seed) for seed in range(1, MANY + 1)])

    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "minutes.parquet"
        many[0].write_parquet(kept)
        in_pandas = [
            part["air_leak_ml_min"].to_pandas()
            for part in many[0].sort("use_id", "minute").partition_by("use_id", maintain_order=True)
        ]
        half = definitions.leak.half_window

        def leak_alone() -> None:
            for leak in in_pandas:
                median = leak.rolling(
                    2 * half + 1, center=True, min_periods=definitions.leak.least_minutes
                ).median()
                (median > definitions.leak.on_above).to_numpy()

        assert isinstance(in_pandas[0], pd.Series)
        seconds = interleaved(
            {
                "few": lambda: course(few),
                "long": lambda: course(long),
                "many": lambda: course(many),
                "read": lambda: pl.read_parquet(kept),
                "pandas": leak_alone,
            },
            rounds=5,
            clock=time.process_time,
        )
    each = seconds["many"] / MANY
    detail = f"{MANY} uses of {MINUTES} minutes, a trace every 5: {1e3 * seconds['many']:.0f} ms"
    yield Row(
        "course of a use of 10 000 minutes, alone",
        1e3 * alone,
        "ms",
        "nothing: a limit of our own",
        at_most=200,
        goal=100,
        detail="every flag, the fluid, alerts, canisters and periods",
    )
    yield Row(
        "course of a use of 10 000 minutes, among many",
        1e3 * each,
        "ms",
        "nothing: a limit of our own",
        at_most=60,
        goal=30,
        detail=detail,
    )
    yield Row(
        "course: time a minute, four times the minutes",
        seconds["long"] / 4 / seconds["few"],
        "x",
        f"{FEW} uses of 10 000 minutes",
        at_most=1.2,
        goal=1.1,
        detail=f"{1e3 * seconds['few']:.0f} and {1e3 * seconds['long']:.0f} ms",
    )
    yield Row(
        "course of many uses: time",
        seconds["many"] / seconds["pandas"],
        "x",
        "a pandas rolling median of the leak alone, use by use",
        at_most=20,
        goal=10,
        detail=f"{1e3 * seconds['pandas']:.0f} ms for that one of the course's findings",
    )
    yield Row(
        "course of many uses: time",
        seconds["many"] / seconds["read"],
        "x",
        "a bare polars.read_parquet of the same minutes",
        detail=f"{1e3 * seconds['read']:.0f} ms",
    )
