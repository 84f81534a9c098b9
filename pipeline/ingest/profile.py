"""A profile: how to read the layout of one site, checked in full when it is loaded."""

from __future__ import annotations

import codecs
import hashlib
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, PrivateAttr, field_validator, model_validator

from pipeline.ingest.layout import MEASURED, Alerts, Clock, Columns, Constants, Suction, Trace, Units
from pipeline.ingest.sources import (
    SITE_PATTERN,
    DeviceSource,
    ExportSource,
    Part,
    SiteSource,
    Text,
    or_constant,
    pattern_with,
)
from pipeline.ingest.units import Quantity, factor_to_ours
from schemas.errors import InputError
from schemas.vocabulary import State


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
    skip_below_header: int = Field(default=0, ge=0, le=100)
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
            raise ValueError(
                f'encoding "{value}" is not known; write one like utf-8 or windows-1252'
            ) from None
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
        if "alerts" in columns and self.alerts.flags:
            problems.append("alerts is in [columns] and in [alerts.flags]; keep one")
        if ("trace" in columns) != (self.trace is not None):
            problems.append(
                "a trace needs both its column in [columns] and its settings in [trace]; add the other"
            )
        return problems

    def _words(self) -> list[str]:
        columns = self.columns.named()
        problems = []
        if "state" in columns and not self.states:
            problems.append('[states] is empty; say what their words mean, like on = "run"')
        if "mains" in columns and not self.mains:
            problems.append("[mains] is empty; say what their words mean, like net = true")
        words = [*self.states, *self.mains, *self.alerts.codes, *self.alerts.ringing, *self.alerts.quiet]
        problems += [
            f'"{word}" has blanks around it; write it without' for word in words if word != word.strip()
        ]
        return problems

    def _missing_units(self) -> list[str]:
        problems = []
        for column in self.columns.named():
            if column not in MEASURED:
                continue
            key, quantity = MEASURED[column]
            unit = getattr(self.units, key)
            if unit is None:
                problems.append(
                    f'[units] does not say the unit of {key}; add it, like {key} = "{quantity.value}"'
                )
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
