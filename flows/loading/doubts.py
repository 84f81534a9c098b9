"""What is doubtful in a log that passes every rule of form: the slips of a new site's profile."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

import polars as pl

from pipeline.ingest import Profile, ReadLog
from pipeline.ingest.far_dates import far_within
from pipeline.ingest.recognise import matches
from pipeline.ingest.rules import Rule
from pipeline.ingest.turned_dates import turned_dates
from pipeline.zones import to_utc
from schemas.vocabulary import OTHER_ALERT_PREFIX, State

_A_YEAR = timedelta(days=366)  # further apart no exchange of day and month brings two dates together
_FEW_ROWS = 5  # fewer show nothing
_SLACK = 0.3  # share of the ordered suction below which a drain hardly draws
_ROUNDING = 0.5  # what is below it in our units is no reading of a device: they write whole mL and mL/min
_OTHER_SIGN = {".": ",", ",": "."}


def doubts_of(log: ReadLog, profile: Profile, head: bytes) -> tuple[str, ...]:
    """
    The doubts of a log that was read, for `check` before a load and for the load itself.

    Parameters
    ----------
    head
        Its first bytes, unpacked: where profiles look for what they match.
    """
    if log.minutes.is_empty():
        return ()
    wrong = log.rejected_values.join(log.rejected, on=["line", "column"], how="left", nulls_equal=True)
    return tuple(doubts(log.minutes, wrong, profile, head, log.file["exported_at"], log.file["timezone"]))


def doubts(
    minutes: pl.DataFrame,
    rejected_values: pl.DataFrame,
    profile: Profile,
    data: bytes,
    exported_at: datetime | None,
    timezone: str | None,
) -> Iterator[str]:
    """
    A sentence for each thing that is probably a slip in the profile, with the key to look at.

    Nothing here rejects anything: a ward may be odd. Units a thousand times off, a sign, a decimal sign, the
    order of day and month and a `match` that does not fit leave the form whole and the figures wrong.

    Parameters
    ----------
    minutes
        MINUTE of the file; `rejected_values`: REJECTED_VALUE with `rule`.
    data
        The file's first bytes, unpacked.
    """
    if profile.match is not None and not matches(profile, data):
        yield "the profile's own match does not fit this file: named it reads it, by itself it would not"
    yield from _signs(minutes)
    if minutes["pressure_mean_cmh2o"].null_count() == minutes.height:
        yield (
            "no minute has a mean pressure, so no shortfall of suction can be told, and an open line only "
            "where the device's own alert says it: see [columns] pressure_mean"
        )
    yield from _counter(minutes)
    yield from _unpaused(minutes, profile)
    yield from _decimal(rejected_values, profile)
    for column, unit in (("air_leak", "mL/min"), ("canister_volume", "mL")):
        most = minutes[f"{column}_{unit.lower().replace('/', '_')}"].max()
        if isinstance(most, float) and 0 < most < _ROUNDING:
            yield f"the greatest {column} is {most:g} {unit}: see [units] {column}"
    yield from _dates(minutes, exported_at, timezone)
    if (turned := turned_dates(minutes.select("line", "clock").sort("line")["clock"])) is not None:
        yield turned
    yield from far_within(minutes, exported_at, timezone)
    strange = minutes["alerts"].explode().drop_nulls().unique().sort()
    ours, said = OTHER_ALERT_PREFIX, {*profile.alerts.codes.values(), *profile.alerts.flags.values()}
    others = [code.removeprefix(ours) for code in strange if code.startswith(ours) and code not in said]
    if others:
        named = ", ".join(others[:8])
        yield f"alerts without a counterpart of ours, kept as other: {named}; see [alerts.codes]"


def _signs(minutes: pl.DataFrame) -> Iterator[str]:
    running = minutes.filter(
        (pl.col("state") == State.RUN.value)
        & (pl.col("set_pressure_cmh2o") < 0)
        & pl.col("pressure_mean_cmh2o").is_not_null()
    )
    if running.height and bool((running["pressure_mean_cmh2o"] > 0).all()):
        yield (
            "suction is ordered and every pressure is above zero: if the site writes suction as a strength, "
            'say [suction] measured = "positive"'
        )


def _counter(minutes: pl.DataFrame) -> Iterator[str]:
    """A record that is no counter of minutes makes a clock step of each."""
    rows = minutes.select("line", "record").drop_nulls("record").sort("line")
    steps = rows["record"].diff().drop_nulls()
    if len(steps) < _FEW_ROWS:
        return
    usual = steps.mode().sort()[0]
    if usual != 1:
        yield (
            f"record rises by {usual} from row to row and counts no minutes, so that each would "
            "look like a step of the clock: leave [columns] record out"
        )


def _unpaused(minutes: pl.DataFrame, profile: Profile) -> Iterator[str]:
    """Where the state is said for all rows, pressures near nought show that some were pauses."""
    if profile.constants.state is None:
        return
    ordered = minutes.filter(pl.col("set_pressure_cmh2o") < 0)
    slack = ordered.filter(pl.col("pressure_mean_cmh2o") > _SLACK * pl.col("set_pressure_cmh2o"))
    if slack.height >= _FEW_ROWS:
        yield (
            f"in {slack.height} rows hardly any of the ordered suction is there, as in a pause: is there "
            "a column for [columns] state in place of [constants] state?"
        )


def _decimal(rejected_values: pl.DataFrame, profile: Profile) -> Iterator[str]:
    other = _OTHER_SIGN.get(profile.decimal)
    unreadable = rejected_values.filter(pl.col("rule") == Rule.VALUE_UNREADABLE.value)["value"].drop_nulls()
    if other is None or unreadable.is_empty():
        return
    if bool(unreadable.str.contains(rf"^[+-]?\d+\{other}\d+$").all()):
        yield f'every value that cannot be read has a "{other}" in it: see decimal'


def _dates(minutes: pl.DataFrame, exported_at: datetime | None, timezone: str | None) -> Iterator[str]:
    last = minutes["clock"].max()
    if exported_at is None or timezone is None or not isinstance(last, datetime) or last.day > 12:
        return
    turned = last.replace(month=last.day, day=last.month)
    after, after_turned = (exported_at - to_utc(one, timezone) for one in (last, turned))
    if turned != last and abs(after_turned) < abs(after) < _A_YEAR:
        yield (
            f"its last minute, {last:%Y-%m-%d}, is further from the export than {turned:%Y-%m-%d} would be: "
            "see the order of day and month in [clock] format"
        )
