"""Which rows of a log cannot be kept: no device, no clock, no session or no state that could be one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.definitions import PlausibleRules
from pipeline.ingest.rules import FAULTS, Rule, no_faults
from pipeline.ingest.sources import DEVICE_PATTERN
from schemas.vocabulary import RejectScope

_LAST_YEAR = 9999  # the calendar of Python ends with it


@dataclass(frozen=True)
class KeptRows:
    """Which rows are sound (one truth value a row), and a record for each that is not."""

    sound: pl.Series
    faults: pl.DataFrame


@dataclass(frozen=True)
class _Check:
    column: str
    broken: pl.Expr
    rule: Rule


def reject_rows(
    seen: pl.DataFrame, values: pl.DataFrame, plausible: PlausibleRules, exported_at: datetime | None
) -> KeptRows:
    """
    Find the rows to reject; of several broken rules the first is recorded: device, clock, session, state.

    Parameters
    ----------
    seen
        Text cells under our names; null where there was none.
    values
        What was made of them, row by row the same; null where nothing could be.
    """
    if _plainly_sound(seen, values, plausible, exported_at):
        return KeptRows(pl.repeat(value=True, n=values.height, eager=True), no_faults())
    both = values.hstack(seen.select(pl.all().name.prefix("text:")))
    checks = _checks(seen.columns, plausible, exported_at)
    # A check on a blank is a null: no verdict of it, for the check on blanks comes first.
    broken = pl.any_horizontal(*(check.broken.fill_null(False) for check in checks))
    sound = both.select(~broken).to_series()
    if sound.all():
        return KeptRows(sound, no_faults())
    faults = both.filter(~sound).select(
        "line",
        scope=pl.lit(RejectScope.ROW.value),
        column=_first(checks, [pl.lit(check.column) for check in checks]),
        rule=_first(checks, [pl.lit(check.rule.value) for check in checks]),
        value=_first(
            checks,
            [
                pl.col(f"text:{check.column}") if check.column in seen.columns else pl.lit(None)
                for check in checks
            ],
        ),
    )
    return KeptRows(sound, faults.cast(FAULTS))  # type: ignore[arg-type]


def _checks(columns: list[str], plausible: PlausibleRules, exported_at: datetime | None) -> list[_Check]:
    checks: list[_Check] = []
    if "device" in columns:
        device = pl.col("device")
        checks += [
            _Check("device", device.is_null(), Rule.VALUE_MISSING),
            _Check("device", ~device.str.contains(f"^(?:{DEVICE_PATTERN})$"), Rule.DEVICE_UNREADABLE),
        ]
    clock = pl.col("clock")
    checks += [
        _Check("clock", pl.col("text:clock").is_null(), Rule.VALUE_MISSING),
        _Check("clock", clock.is_null(), Rule.CLOCK_UNREADABLE),
        _Check("clock", clock < datetime(plausible.earliest_year, 1, 1), Rule.CLOCK_TOO_EARLY),
    ]
    checks.append(_Check("clock", clock > _latest(plausible, exported_at), Rule.CLOCK_AFTER_EXPORT))
    if "session" in columns:
        checks += [
            _Check("session", pl.col("text:session").is_null(), Rule.VALUE_MISSING),
            _Check("session", pl.col("session").is_null(), Rule.VALUE_UNREADABLE),
            _Check("session", pl.col("session") < 0, Rule.VALUE_OUT_OF_RANGE),
        ]
    if "state" in columns:
        checks += [
            _Check("state", pl.col("text:state").is_null(), Rule.VALUE_MISSING),
            _Check("state", pl.col("state").is_null(), Rule.STATE_UNKNOWN),
        ]
    return checks


def _latest(plausible: PlausibleRules, exported_at: datetime | None) -> datetime:
    """After this no row can have been written."""
    latest = datetime(_LAST_YEAR, 1, 1)
    if exported_at is not None and exported_at.replace(tzinfo=None) < latest:
        latest = exported_at.replace(tzinfo=None) + timedelta(minutes=plausible.clock_slack)
    return latest


def _plainly_sound(
    seen: pl.DataFrame, values: pl.DataFrame, plausible: PlausibleRules, exported_at: datetime | None
) -> bool:
    """Whether the extremes of the columns show that no row can break a rule; false says nothing."""
    needed = ["clock", *(name for name in ("session", "state") if name in seen.columns)]
    if "device" in seen.columns or not values.height or any(values[name].null_count() for name in needed):
        return False
    first, last = values["clock"].min(), values["clock"].max()
    assert isinstance(first, datetime)
    assert isinstance(last, datetime)
    least = values["session"].min() if "session" in needed else 0
    assert isinstance(least, int)
    return (
        first >= datetime(plausible.earliest_year, 1, 1)
        and last <= _latest(plausible, exported_at)
        and least >= 0
    )


def _first(checks: list[_Check], outcomes: list[pl.Expr]) -> pl.Expr:
    """The outcome of the first check that is broken."""
    chosen = pl.lit(None, dtype=pl.String())
    for check, outcome in zip(reversed(checks), reversed(outcomes), strict=True):
        chosen = pl.when(check.broken.fill_null(False)).then(outcome).otherwise(chosen)
    return chosen
