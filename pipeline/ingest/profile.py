"""A profile: how to read the layout of one site, checked in full when it is loaded."""

from __future__ import annotations

import codecs
import hashlib
import re
from datetime import datetime
from typing import Annotated, Any, Literal

import polars as pl
from pydantic import BeforeValidator, Field, PrivateAttr, field_validator, model_validator

from pipeline.ingest.sources import (
    SITE_PATTERN,
    DeviceSource,
    ExportSource,
    Part,
    SiteSource,
    Text,
    ZoneSource,
    or_constant,
    pattern_with,
)
from pipeline.ingest.units import Quantity, factor_to_ours
from schemas.errors import InputError
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
        moment = pl.Series([_MOMENT])
        try:
            back = moment.dt.strftime(value).str.to_datetime(value, time_unit="us").dt.replace_time_zone(None)
        except (pl.exceptions.PolarsError, ValueError):
            back = moment.clear(1)
        if back.item() != _MOMENT:
            raise ValueError(f'the format "{value}" does not tell day and minute; write one like %d.%m.%Y %H:%M')
        return value

    @model_validator(mode="after")
    def _offset_means_local_time(self) -> Clock:
        if self.has_offset and self.clock_follows_dst is False:
            raise ValueError("a clock with its offset written (%z) is read as local time; take clock_follows_dst out")
        return self

    @property
    def follows_dst(self) -> bool | None:
        """Whether the clock as read follows summer time; null: unsaid."""
        return True if self.has_offset else self.clock_follows_dst

    @property
    def has_offset(self) -> bool:
        """Whether each time is written with its offset from UTC."""
        return "%z" in self.format or "%:z" in self.format


ClockColumns = Annotated[
    tuple[Text, ...], BeforeValidator(lambda value: (value,) if isinstance(value, str) else value)
]


class Columns(Part):
    """Which of their columns, by name, is which of ours."""

    record: Text | None = None
    clock: ClockColumns = Field(min_length=1)
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
    set_pressure: float | None = Field(default=None, ge=-200, le=0)
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
    """Their alert codes and what stands between several of one minute."""

    separator: Text = ";"
    codes: dict[Text, str] = Field(default_factory=dict)

    @field_validator("codes")
    @classmethod
    def _ours(cls, value: dict[str, str]) -> dict[str, str]:
        known = {str(code) for code in AlertCode}
        for theirs, ours in value.items():
            if ours not in known and not re.fullmatch(rf"{OTHER_ALERT_PREFIX}[\w.+/-]{{1,40}}", ours):
                raise ValueError(f'alert {theirs} means "{ours}", which is none of ' + ", ".join(sorted(known)))
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
            raise ValueError("give rate_hz, factor, origin and unit, or a line pattern that finds them, not both")
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


class Profile(Part):
    """
    How to read the layout of one site.

    Says the delimiter, decimal sign and encoding; where the header is; which of their columns is
    which of ours; constants, units and signs; their words for states, alerts and power; where the
    site, the device, the zone and the date of export come from. Keys and examples: the worked
    profiles in `shared/profiles/`. Made by `parse_profile`.
    """

    name: str = Field(pattern=rf"^{SITE_PATTERN}$")
    about: str = ""
    match: Annotated[str | None, pattern_with("")] = None
    encoding: str = "utf-8"
    delimiter: str = Field(default=",", pattern=r"^[^\w\s\"'.+-]$|^\t$")
    decimal: Literal[".", ","] = "."
    comment: str | None = Field(default=None, pattern=r"^[^\w\s\"]{1,4}$")
    skip_lines: int = Field(default=0, ge=0, le=1000)
    header_starts: Text | None = None
    end_line: Annotated[str | None, pattern_with("rows")] = None
    missing: tuple[str, ...] = ()
    optional: tuple[str, ...] = ()
    site: Annotated[SiteSource | None, BeforeValidator(or_constant)] = None
    device: Annotated[DeviceSource, BeforeValidator(or_constant)]
    exported_at: ExportSource | None = None
    clock: Clock
    columns: Columns
    constants: Constants = Constants()
    units: Units = Units()
    suction: Suction = Suction()
    states: dict[Text, State] = Field(default_factory=dict)
    alerts: Alerts = Alerts()
    mains: dict[Text, bool] = Field(default_factory=dict)
    trace: Trace | None = None

    _text: str = PrivateAttr(default="")

    @property
    def text(self) -> str:
        """The exact TOML text the profile was made from."""
        return self._text

    @property
    def digest(self) -> str:
        """SHA-256 of that text."""
        return hashlib.sha256(self._text.encode()).hexdigest()

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            found = codecs.lookup(value)
            b"\xff".decode(found.name, errors="replace")
        except (LookupError, UnicodeError):
            raise ValueError(f'encoding "{value}" is not known; write one like utf-8 or windows-1252') from None
        return found.name

    @model_validator(mode="after")
    def _hangs_together(self) -> Profile:
        for problem in (*self._signs(), *self._both_or_neither(), *self._words(), *self._missing_units()):
            raise ValueError(problem)
        return self

    def _signs(self) -> list[str]:
        problems = []
        if not self.delimiter.isascii():
            problems.append(f'delimiter "{self.delimiter}" is not a plain sign; write one like ";" or "\\t"')
        if self.delimiter == self.decimal:
            problems.append(f'delimiter and decimal are both "{self.decimal}"; one of them is wrong')
        if self.comment is not None and self.delimiter in self.comment:
            problems.append(f'comment "{self.comment}" holds the delimiter; one of them is wrong')
        if self.header_starts is not None and self.skip_lines:
            problems.append("skip_lines and header_starts both say where the header is; keep one")
        return problems

    def _both_or_neither(self) -> list[str]:
        columns, constants = self.columns.named(), self.constants.said()
        problems = [
            f"{name} is in both [columns] and [constants]; keep one" for name in constants if name in columns
        ]
        problems += [
            f"neither [columns] nor [constants] says {name}; add it"
            for name in ("session", "state")
            if name not in columns and name not in constants
        ]
        problems += [
            f'optional names "{name}", which is not in [columns]; take it out'
            for name in self.optional
            if name not in columns
        ]
        problems += [
            f'optional names "{name}", which no log can do without; take it out'
            for name in self.optional
            if name in ("session", "state")
        ]
        if ("trace" in columns) != (self.trace is not None):
            problems.append("a trace needs both its column in [columns] and its settings in [trace]; add the other")
        return problems

    def _words(self) -> list[str]:
        columns = self.columns.named()
        problems = []
        if "state" in columns and not self.states:
            problems.append('[states] is empty; say what their words mean, like on = "run"')
        if "mains" in columns and not self.mains:
            problems.append("[mains] is empty; say what their words mean, like net = true")
        words = [*self.states, *self.mains, *self.alerts.codes]
        problems += [f'"{word}" has blanks around it; write it without' for word in words if word != word.strip()]
        return problems

    def _missing_units(self) -> list[str]:
        problems = []
        for column in self.columns.named():
            if column not in MEASURED:
                continue
            key, quantity = MEASURED[column]
            unit = getattr(self.units, key)
            if unit is None:
                problems.append(f'[units] does not say the unit of {key}; add it, like {key} = "{quantity.value}"')
                continue
            try:
                factor_to_ours(unit, quantity)
            except InputError as error:
                problems.append(f"[units] {key}: {error}")
        if self.trace is not None and self.trace.unit is not None:
            try:
                factor_to_ours(self.trace.unit, Quantity.PRESSURE)
            except InputError as error:
                problems.append(f"[trace] {error}")
        return problems
