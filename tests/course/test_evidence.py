"""Which traces become evidence."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from pipeline.course.evidence import evidence_of
from pipeline.definitions import load_definitions
from pipeline.signal import assess
from schemas.lake import EVIDENCE, RESOLVED

DEFINITIONS = load_definitions()
NOON = datetime(2031, 3, 10, 12, tzinfo=UTC)


def minutes(*rows: dict[str, object]) -> pl.DataFrame:
    base = {"use_id": "u", "site": "s", "device": "d", "state": "run", "rate_hz": 10.0}
    frame = pl.DataFrame(
        [{**base, "minute": NOON + timedelta(minutes=k), **row} for k, row in enumerate(rows)],
        schema_overrides={"samples_cmh2o": pl.List(pl.Float32)},
    )
    return RESOLVED.conform(frame)


def breathing(seconds: int = 60, rate_hz: float = 10.0, seed: int = 1) -> list[float]:
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    noise = 0.05 * np.random.default_rng(seed).standard_normal(len(t))
    return [float(v) for v in np.float32(-20 + 1.5 * np.sin(2 * np.pi * t / 4) + noise)]


def test_a_trace_of_a_self_check_is_never_evidence_one_of_a_pause_is_kept() -> None:
    found = evidence_of(
        minutes(
            {"state": "check", "samples_cmh2o": breathing()},
            {"state": "pause", "samples_cmh2o": breathing()},
            {"state": "run", "samples_cmh2o": breathing()},
            {"state": None, "samples_cmh2o": breathing()},
        ),
        DEFINITIONS,
    )
    assert found["minute"].to_list() == [NOON + timedelta(minutes=1), NOON + timedelta(minutes=2)]
    assert found["verdict"].to_list() == ["present", "present"]
    EVIDENCE.validate(found)


def test_minutes_without_a_trace_make_no_row_and_an_empty_trace_is_none() -> None:
    found = evidence_of(minutes({"samples_cmh2o": None}, {"samples_cmh2o": []}), DEFINITIONS)
    assert found.height == 0
    assert dict(found.schema) == EVIDENCE.dtypes


def test_a_trace_without_a_rate_is_kept_as_not_assessable() -> None:
    found = evidence_of(minutes({"samples_cmh2o": breathing(), "rate_hz": None}), DEFINITIONS)
    assert found["verdict"].to_list() == ["not_assessable"]
    EVIDENCE.validate(found)


def test_rates_and_lengths_mix_and_each_trace_reads_as_it_would_alone() -> None:
    traces = [breathing(60, 10, 1), breathing(30, 10, 2), breathing(60, 25, 3), breathing(60, 10, 4)]
    rates = [10.0, 10.0, 25.0, 10.0]
    resolved = minutes(*({"samples_cmh2o": t, "rate_hz": r} for t, r in zip(traces, rates, strict=True)))
    found = evidence_of(resolved.reverse(), DEFINITIONS)
    alone = pl.concat([assess(np.array([t]), r) for t, r in zip(traces, rates, strict=True)])
    assert found.select(alone.columns).equals(alone)
    assert found["minute"].is_sorted()
