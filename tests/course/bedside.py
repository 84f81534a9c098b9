"""Hand-made uses for the tests of the course: a steady night, changed where a test wants it changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from pipeline.course import course_of
from pipeline.course.marks import mark_findings, mark_readings
from pipeline.course.quiet_floor import mark_quiet_floor
from pipeline.course.written import Course, written_up
from pipeline.definitions import Definitions, load_definitions
from schemas.lake import COURSE, EVIDENCE, RESOLVED, USE_ALERT, USE_CANISTER, USE_PERIOD, USE_TABLE
from schemas.table import INSTANT

NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)
DEFINITIONS = load_definitions()

Told = Any  # one value for all minutes, one a minute, or a function of the minute


class Use:
    """
    One use of `n` minutes: running at −20, breathing 3 cm[H2O], no leak, 6 mL/h, upright, unless told otherwise.

    `breath` tells the verdict a trace shows at its minute; `traces` which minutes have one (all of every
    `k`th for a number). `missing` minutes are not in the log.
    """

    def __init__(
        self,
        n: int,
        *,
        name: str = "DV-0001",
        begin: datetime = NOON,
        begins_with_check: bool = False,
        breath: Told = "present",
        swing: Told = None,
        traces: int | Callable[[int], bool] = 1,
        missing: Iterable[int] = (),
        artefact: Told = "none",
        artefact_fraction: Told = 0.0,
        state: Told = "run",
        set_pressure: Told = -20.0,
        mean: Told = -19.8,
        low: Told = -21.5,
        high: Told = -18.5,
        leak: Told = 0.0,
        volume: Told = lambda t: round(50 + t * 0.1, 1),
        tilt: Told = 1.0,
        alerts: Told = lambda t: [],
        clock_step: Told = False,
    ) -> None:
        def told(value: Told) -> list[Any]:
            if callable(value):
                return [value(t) for t in range(n)]
            if isinstance(value, Sequence) and not isinstance(value, str):
                return list(value)
            return [value] * n

        gone = set(missing)
        kept = [t for t in range(n) if t not in gone]
        self.use_id = f"lakeside:{name}/17@{begin:%Y%m%dT%H%MZ}"
        whole = pl.DataFrame(
            {
                "minute": [begin + timedelta(minutes=t) for t in range(n)],
                "state": told(state),
                "set_pressure_cmh2o": told(set_pressure),
                "pressure_mean_cmh2o": told(mean),
                "pressure_min_cmh2o": told(low),
                "pressure_max_cmh2o": told(high),
                "air_leak_ml_min": told(leak),
                "canister_volume_ml": told(volume),
                "tilt_deg": told(tilt),
                "alerts": told(alerts),
                "clock_step": told(clock_step),
            },
            schema_overrides={
                "minute": INSTANT,
                "alerts": pl.List(pl.String),
                **dict.fromkeys(("canister_volume_ml", "tilt_deg", "air_leak_ml_min"), pl.Float64),
            },
        )
        named = {"use_id": self.use_id, "site": "lakeside", "device": name, "session": 17, "epoch": 0}
        named_columns = [pl.lit(value).alias(key) for key, value in named.items()]
        self.resolved = RESOLVED.conform(
            whole[kept].with_columns(
                *named_columns, utc_offset_minutes=60, exports=1, conflicting=False, clock_uncertain=False
            )
        )
        verdicts = told(breath)
        swings = told(swing)
        kinds, fractions = told(artefact), told(artefact_fraction)
        has_trace = traces if callable(traces) else (lambda t: t % traces == 0)
        self.evidence = EVIDENCE.conform(
            pl.DataFrame(
                [
                    {
                        "minute": begin + timedelta(minutes=t),
                        "verdict": verdicts[t],
                        "breath_rate_per_min": 15.0 if verdicts[t] == "present" else None,
                        "swing_cmh2o": swings[t] or (3.0 if verdicts[t] == "present" else 0.1),
                        "swing_low_cmh2o": 0.0,
                        "swing_high_cmh2o": swings[t] or (3.2 if verdicts[t] == "present" else 0.2),
                        "lowest_rate_per_min": 5.0,
                        "artefact_fraction": fractions[t],
                        "artefact_kind": kinds[t],
                    }
                    for t in kept
                    if has_trace(t)
                ],
                schema={
                    c.name: c.dtype for c in EVIDENCE.columns if c.name not in ("use_id", "site", "device")
                },
            ).with_columns(named_columns[:3])
        )
        self.table = USE_TABLE.conform(
            pl.DataFrame(
                {
                    **named,
                    "stretch": 0,
                    "timezone": "Europe/Zurich",
                    "started_at": begin,
                    "ended_at": begin + timedelta(minutes=n),
                    "minutes_observed": len(kept),
                    "begins_with_check": begins_with_check,
                    "clock_uncertain": False,
                    "clock_steps": 0,
                    "clock_carried_minutes": 0,
                    "last_export_at": begin + timedelta(days=9),
                    "later_session": False,
                }
            )
        )


def tidaling_as_told(grid: pl.DataFrame, evidence: pl.DataFrame, hold: int = 10) -> pl.DataFrame:
    """Tidaling straight from the traces, held `hold` minutes: the flags' tests should not rest on more."""
    told = evidence.select(
        "use_id",
        "minute",
        "swing_cmh2o",
        "breath_rate_per_min",
        "artefact_kind",
        "artefact_fraction",
        tidaling="verdict",
        tidaling_basis=pl.lit("trace"),
    )
    return (
        mark_quiet_floor(grid, DEFINITIONS)
        .join(told, on=["use_id", "minute"], how="left", maintain_order="left")
        .with_columns(pl.col("tidaling", "tidaling_basis").forward_fill(limit=hold).over("span_no"))
        .with_columns(
            tidaling=pl.when("running").then("tidaling").fill_null("not_assessable"),
            envelope_carried=pl.lit(0, pl.Int32),
        )
    )


def course_as_told(
    *uses: Use,
    cuts: Sequence[tuple[str, datetime]] = (),
    annotations: Sequence[tuple[str, datetime, datetime | None, str]] = (),
    definitions: Definitions = DEFINITIONS,
) -> Course:
    """The course of hand-made uses, every table checked against its contract."""
    resolved = pl.concat([use.resolved for use in uses])
    table = pl.concat([use.table for use in uses])
    evidence = pl.concat([use.evidence for use in uses])
    grid, canisters = mark_readings(
        resolved,
        table,
        pl.DataFrame(cuts, schema={"use_id": pl.String, "at": INSTANT}, orient="row"),
        definitions,
    )
    marked, alerts = mark_findings(
        tidaling_as_told(grid, evidence),
        table,
        evidence,
        pl.DataFrame(
            annotations,
            schema={"use_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "kind": pl.String},
            orient="row",
        ),
        definitions,
    )
    course = written_up(marked, alerts, canisters, definitions)
    COURSE.validate(course.minutes)
    USE_PERIOD.validate(course.periods)
    USE_ALERT.validate(course.alerts)
    USE_CANISTER.validate(course.canisters)
    return course


def course_as_logged(
    *uses: Use,
    annotations: Sequence[tuple[str, datetime, datetime | None, str]] = (),
    definitions: Definitions = DEFINITIONS,
) -> Course:
    """The course with all its steps: tidaling from traces, hysteresis and envelope as the pipeline has them."""
    return course_of(
        pl.concat([use.resolved for use in uses]),
        pl.concat([use.table for use in uses]),
        pl.concat([use.evidence for use in uses]),
        pl.DataFrame(schema={"use_id": pl.String, "at": INSTANT}),
        pl.DataFrame(
            annotations,
            schema={"use_id": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "kind": pl.String},
            orient="row",
        ),
        definitions,
    )


def stretches(course: Course, kind: str) -> list[tuple[int, int, str | None]]:
    """The periods of one kind in order: minutes after noon it began, its length, its grade."""
    return [
        (int((row["started_at"] - NOON) / timedelta(minutes=1)), row["minutes"], row["grade"])
        for row in course.periods.filter(pl.col("kind") == kind).iter_rows(named=True)
    ]


def detail(course: Course, kind: str) -> str:
    """The detail of the first period of a kind."""
    found = course.periods.filter(pl.col("kind") == kind)["detail"][0]
    assert isinstance(found, str)
    return found


def at(minute: int) -> datetime:
    """The instant `minute` minutes after noon."""
    return NOON + timedelta(minutes=minute)
