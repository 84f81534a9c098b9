"""Where a file's site, device, time zone and date of export come from, as a profile says it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from pipeline.ingest.pattern import groups_of
from pipeline.zones import is_zone

SITE_PATTERN = r"[a-z0-9_-]{1,40}"
DEVICE_PATTERN = r"[A-Za-z0-9._-]{1,40}"
SERIAL_IN_WORDS = "1 to 40 letters, digits, dots, _ and -"
RFC_3339 = "rfc3339"

Text = Annotated[str, Field(min_length=1)]


class Part(BaseModel):
    """A frozen table of a profile; a key it does not know is an error that names it."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def pattern_with(group: str) -> BeforeValidator:
    """A regular expression that must hold the named group."""

    def check(value: Any) -> Any:
        if not isinstance(value, str):
            return value
        if group not in ("", *groups_of(value)):
            raise ValueError(
                f"the pattern {value!r} has no group (?P<{group}>…); name the part that is meant"
            )
        return value

    return BeforeValidator(check)


def or_constant(value: Any) -> Any:
    """A bare text where a table could stand means a constant."""
    return {"constant": value} if isinstance(value, str) else value


class SiteSource(Part):
    """Where the site's name comes from: said here, or by a line of the preamble (group `site`)."""

    constant: str | None = Field(default=None, pattern=rf"^{SITE_PATTERN}$")
    line: Annotated[str | None, pattern_with("site")] = None

    @model_validator(mode="after")
    def _one(self) -> SiteSource:
        return exactly_one(self, "constant", "line")


class DeviceSource(Part):
    """Where the drain's serial comes from; patterns hold the group `device`."""

    constant: str | None = Field(default=None, pattern=rf"^{DEVICE_PATTERN}$")
    column: Text | None = None
    line: Annotated[str | None, pattern_with("device")] = None
    file_name: Annotated[str | None, pattern_with("device")] = None

    @model_validator(mode="after")
    def _one(self) -> DeviceSource:
        return exactly_one(self, "constant", "column", "line", "file_name")


class ZoneSource(Part):
    """Where the IANA zone of the wall clock comes from: said here, or by a line (group `timezone`)."""

    constant: str | None = None
    line: Annotated[str | None, pattern_with("timezone")] = None

    @field_validator("constant")
    @classmethod
    def _real(cls, value: str | None) -> str | None:
        return _checked_zone(value)

    @model_validator(mode="after")
    def _one(self) -> ZoneSource:
        return exactly_one(self, "constant", "line")


class ExportSource(Part):
    """When the export was made: a line or file-name pattern (group `exported_at`) or a column."""

    column: Text | None = None
    line: Annotated[str | None, pattern_with("exported_at")] = None
    file_name: Annotated[str | None, pattern_with("exported_at")] = None
    format: Text = RFC_3339
    timezone: str | None = None

    @field_validator("format")
    @classmethod
    def _tells_a_day(cls, value: str) -> str:
        moment = datetime(2031, 3, 10, 14, 5)
        try:
            if value == RFC_3339 or datetime.strptime(moment.strftime(value), value).date() == moment.date():
                return value
        except ValueError:
            pass
        raise ValueError(
            f'the format "{value}" does not tell a day; write one like %d.%m.%Y %H:%M, or rfc3339'
        )

    @field_validator("timezone")
    @classmethod
    def _real(cls, value: str | None) -> str | None:
        return _checked_zone(value)

    @model_validator(mode="after")
    def _one(self) -> ExportSource:
        return exactly_one(self, "column", "line", "file_name")


def _checked_zone(value: str | None) -> str | None:
    if value is not None and not is_zone(value):
        raise ValueError(f'"{value}" is not an IANA time zone; write one like Europe/Zurich')
    return value


PartT = TypeVar("PartT", bound=Part)


def exactly_one(part: PartT, *keys: str) -> PartT:
    """Check that one of the keys is given and the others are not."""
    given = [key for key in keys if getattr(part, key) is not None]
    if len(given) != 1:
        raise ValueError(f"give exactly one of {', '.join(keys)}; there are {len(given)}")
    return part
