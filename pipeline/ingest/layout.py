"""What a layout writes and how: its clock, columns, constants, units, signs, alert codes and traces."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Annotated, Any, Literal

import polars as pl
from pydantic import BeforeValidator, Field, field_validator, model_validator

from pipeline.ingest.sources import Part, Text, ZoneSource, or_constant, pattern_with
from pipeline.ingest.units import Quantity
from pipeline.zones import to_utc
from schemas.vocabulary import OTHER_ALERT_PREFIX, AlertCode, State

_MOMENT = datetime(2031, 3, 10, 14, 5)


class Clock(Part):
    """
    The wall clock: its format (strptime), its zone, and whether it follows summer time.

    `clock_follows_dst` is left out where nobody knows. A format with `%z` reads times written with
    their offset; they are kept as local time of the zone.
    """

    format: Text
    timezone: Annotated[ZoneSource, BeforeValidator(or_constant)]
    clock_follows_dst: bool | None = None

    @field_validator("format")
    @classmethod
    def _reads_what_it_writes(cls, value: str) -> str:
        # As an instant of UTC, for a format may write the offset.
        moment = pl.Series([_MOMENT]).dt.replace_time_zone("UTC")
        try:
            back = moment.dt.strftime(value).str.to_datetime(value, time_unit="us").dt.replace_time_zone(None)
        except (pl.exceptions.PolarsError, ValueError):
            back = pl.Series([None])
        if back.item() != _MOMENT:
            raise ValueError(
                f'the format "{value}" does not tell day and minute; write one like %d.%m.%Y %H:%M'
            )
        return value

    @model_validator(mode="after")
    def _offset_means_local_time(self) -> Clock:
        if self.has_offset and self.clock_follows_dst is False:
            raise ValueError(
                "a clock with its offset written (%z) is read as local time; take clock_follows_dst out"
            )
        return self

    @property
    def follows_dst(self) -> bool | None:
        """Whether the clock as read follows summer time; null: unsaid."""
        return True if self.has_offset else self.clock_follows_dst

    def in_utc(self, local: datetime, zone: str) -> datetime:
        """The instant at which this clock, in that zone, shows a time."""
        return to_utc(local, zone, summer_time=self.follows_dst is not False)

    @property
    def has_offset(self) -> bool:
        """Whether each time is written with its offset from UTC."""
        return "%z" in self.format or "%:z" in self.format


OneOrMore = Annotated[
    tuple[Text, ...], BeforeValidator(lambda value: (value,) if isinstance(value, str) else value)
]


class Columns(Part):
    """Which of their columns, by name, is which of ours."""

    record: Text | None = None
    clock: OneOrMore = Field(min_length=1)
    session: Text | None = None
    state: Text | None = None
    set_pressure: Text | None = None
    pressure_mean: Text | None = None
    pressure_min: Text | None = None
    pressure_max: Text | None = None
    air_leak: Text | None = None
    canister_volume: Text | None = None
    tilt: Text | None = None
    battery: Text | None = None
    mains: Text | None = None
    alerts: Text | None = None
    trace: Text | None = None

    def named(self) -> dict[str, str]:
        """Our name → theirs, of every column but the clock's."""
        return {ours: theirs for ours, theirs in self if ours != "clock" and theirs is not None}


class Constants(Part):
    """Values for what the layout has no column for, in our units, signs and words."""

    session: int | None = Field(default=None, ge=0)
    state: State | None = None
    set_pressure: float | None = Field(default=None, le=0)
    mains: bool | None = None

    def said(self) -> dict[str, Any]:
        """Our name → value, of every constant given."""
        return {ours: value for ours, value in self if value is not None}


class Units(Part):
    """The unit of each quantity, in UCUM or a spelling pint knows."""

    set_pressure: str | None = None
    pressure: str | None = None  # of mean, minimum and maximum
    air_leak: str | None = None
    canister_volume: str | None = None
    tilt: str | None = None
    battery: str | None = None


class Suction(Part):
    """Whether suction is written as a negative pressure or as a positive strength."""

    ordered: Literal["negative", "positive"] = "negative"
    measured: Literal["negative", "positive"] = "negative"


class Alerts(Part):
    """
    Their alert codes and what stands between several of one minute; or a column for each alert.

    Parameters
    ----------
    flags
        Their column → our code, where each alert has a column of its own; `ringing` and `quiet` are the words
        in it. A blank is quiet; any other word is none, and the alerts of that minute are unknown.
    """

    separator: Text = ";"
    codes: dict[Text, str] = Field(default_factory=dict)
    flags: dict[Text, str] = Field(default_factory=dict)
    ringing: OneOrMore = ("1",)
    quiet: OneOrMore = ("0",)

    @model_validator(mode="after")
    def _apart(self) -> Alerts:
        if both := sorted(set(self.ringing) & set(self.quiet)):
            raise ValueError(f'the word "{both[0]}" is in both ringing and quiet; keep one')
        return self

    @field_validator("codes", "flags")
    @classmethod
    def _ours(cls, value: dict[str, str]) -> dict[str, str]:
        known = {str(code) for code in AlertCode}
        for theirs, ours in value.items():
            if ours not in known and not re.fullmatch(rf"{OTHER_ALERT_PREFIX}[\w.+/-]{{1,40}}", ours):
                raise ValueError(
                    f'alert {theirs} means "{ours}", which is none of ' + ", ".join(sorted(known))
                )
        return value


class Trace(Part):
    """
    How a trace's numbers become pressure: value = origin + factor × number, in `unit`.

    Either said here, or by a line of the preamble whose group `settings` holds
    `rate_hz=… factor=… origin=… unit=…`.
    """

    rate_hz: float | None = Field(default=None, gt=0, le=1000)
    factor: float | None = None
    origin: float | None = None
    unit: str | None = None
    line: Annotated[str | None, pattern_with("settings")] = None

    @model_validator(mode="after")
    def _whole(self) -> Trace:
        said = [self.rate_hz, self.factor, self.origin, self.unit]
        if (self.line is None) == any(value is None for value in said) and (
            self.line is None or any(value is not None for value in said)
        ):
            raise ValueError("give rate_hz, factor, origin and unit, or a line pattern that finds them")
        if self.line is not None and any(value is not None for value in said):
            raise ValueError(
                "give rate_hz, factor, origin and unit, or a line pattern that finds them, not both"
            )
        return self


# Which of [units] a column is in, and what it measures.
MEASURED: dict[str, tuple[str, Quantity]] = {
    "set_pressure": ("set_pressure", Quantity.PRESSURE),
    "pressure_mean": ("pressure", Quantity.PRESSURE),
    "pressure_min": ("pressure", Quantity.PRESSURE),
    "pressure_max": ("pressure", Quantity.PRESSURE),
    "air_leak": ("air_leak", Quantity.FLOW),
    "canister_volume": ("canister_volume", Quantity.VOLUME),
    "tilt": ("tilt", Quantity.ANGLE),
    "battery": ("battery", Quantity.SHARE),
}
