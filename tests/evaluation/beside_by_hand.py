"""A stay made by hand, ledger beside truth, for the tests of the evaluation's scorer."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import polars as pl

from tests.evaluation.evaluate_figures import Figure
from tests.evaluation.evaluate_fleets import FLAGS, GRADED, Beside

NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)
NOTHING = pl.DataFrame(
    schema={
        "evidence": pl.String,
        "site": pl.String,
        "stay": pl.String,
        "true_minute": pl.Datetime("us", "UTC"),
    }
)
NO_GAPS = NOTHING.with_columns(no_data=pl.lit(False), true_no_data=pl.lit(False))


def at(minute: int) -> datetime:
    """The instant of a minute of the stay."""
    return NOON + timedelta(minutes=minute)


def stay(n: int, **columns: object) -> Beside:
    """`n` minutes of one stay in which ledger and truth agree, but for the columns given (a value or a list)."""
    quiet: dict[str, object] = {
        "use_id": "u",
        "stay": "s",
        "evidence": "e",
        "site": "x",
        "scenario": "ward",
        "state": "run",
        "clock_kind": "right",
        "true_running": True,
        "true_occluded": False,
        "true_kinked": False,
        "true_damped": False,
        "true_clamped": False,
        "true_tilted": False,
        "true_paused": False,
        "true_walking": False,
        "true_leak_trend_ml_min": 0.0,
        "true_canister_no": 1,
        "canister_no": 1,
        "volume_read": True,
        "tilt_deg": 1.0,
        "traced": True,
        "true_coughing": False,
        "line_open_grade": None,
        "clamped_grade": None,
        "occlusion_suspected_grade": None,
        "true_line_open": False,
        "true_suction_short": False,
        "true_leaking": False,
        "leak_on": False,
        "assessable": True,
        "clamped_noted": False,
        "drain_output_ml": 0.0,
        "true_output_ml": 0.0,
        "tidaling": "present",
        "true_swing_cmh2o": 3.0,
        **dict.fromkeys(FLAGS, False),
        **columns,
    }
    lists = {"true_alerts": quiet.pop("true_alerts", [[]] * n)}
    frame = pl.DataFrame(
        {
            **{name: value if isinstance(value, list) else [value] * n for name, value in quiet.items()},
            **lists,
            "true_minute": [at(t) for t in range(n)],
            "minute": [at(t) for t in range(n)],
        },
        schema_overrides={
            "true_alerts": pl.List(pl.String),
            **dict.fromkeys((f"{flag}_grade" for flag in GRADED), pl.String),
        },
    )
    rang = pl.DataFrame(
        schema={
            "use_id": pl.String,
            "stay": pl.String,
            "code": pl.String,
            "started_at": pl.Datetime("us", "UTC"),
            "ended_at": pl.Datetime("us", "UTC"),
            "minutes_to_clear": pl.Int32,
        }
    )
    logged = pl.DataFrame({"stay": ["s"], "clock_kind": ["right"], "on_time": [True]})
    fitted = pl.DataFrame(
        schema={
            "use_id": pl.String,
            "removed_at": pl.Datetime("us", "UTC"),
            "unread_minutes": pl.Int32,
        }
    )
    return Beside(frame, logged, NOTHING, NO_GAPS, rang, fitted, NOTHING)


def value(figures: Iterable[Figure], what: str) -> float | None:
    """The value of the figure of that name."""
    return {figure.what: figure for figure in figures}[what].value
