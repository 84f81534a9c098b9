"""What a scheduled run must know: from the command line, the environment and the home's `nightly.toml`."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from flows.nights.landing import Patience
from pipeline.meant import did_you_mean, meant
from schemas.errors import CallError, InputError

FILE = "nightly.toml"  # in the home
ENVIRONMENT = "DRAINLEDGER_"  # DRAINLEDGER_LANDING, DRAINLEDGER_SETTLE_MINUTES, …
_PATHS = ("landing", "report", "done")


class NightSettings(BaseModel):
    """
    One home's nightly run.

    What is said on the command line stands before the environment (`DRAINLEDGER_` and the name in capitals),
    that before `nightly.toml` in the home, that before what is written here.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    landing: Path | None = Field(None, description="Folder that sites drop their files into.")
    report: Path | None = Field(None, description="Folder to write the report to; unsaid: none is written.")
    profile: str | None = Field(None, description="Read every log with this profile: a name or a TOML file.")
    site: str | None = Field(None, description="Site of files that do not say theirs.")
    settle_minutes: float = Field(
        10, ge=0, description="A file not written for so long is whole; 0: take everything at once."
    )
    look_seconds: float = Field(
        5, gt=0, le=600, description="Between the two looks at a file that was written since."
    )
    after: Literal["keep", "move", "delete"] = Field(
        "keep", description="What becomes of a file in the landing folder once the ledger holds it."
    )
    done: Path | None = Field(None, description="Folder that loaded files are moved to, with `after = move`.")
    cron: str = Field("30 2 * * *", description="When `serve` runs the night: minute hour day month weekday.")
    timezone: str = Field("UTC", description="IANA time zone of `cron`.")
    name: str | None = Field(None, description="Name of the deployment; unsaid: one made from the home.")
    timeout_minutes: float = Field(240, gt=0, description="A step that takes longer is stopped.")
    retry_seconds: tuple[float, ...] = Field(
        (2, 10, 60), description="Waits before a step is tried again after a passing fault of a drive."
    )
    dask: str | None = Field(
        None,
        description="Address of a Dask scheduler whose workers compute; wants `PREFECT_API_URL` as well.",
    )
    prefect: bool = Field(True, description="Whether the run is a Prefect flow; else it runs plainly.")

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in available_timezones():
            asked = did_you_mean(value, sorted(available_timezones()))
            raise ValueError(f"no such time zone{f'; {asked}' if asked else ''}")
        ZoneInfo(value)
        return value

    @field_validator("cron")
    @classmethod
    def _readable_cron(cls, value: str) -> str:
        from cronsim import CronSim, CronSimError

        if len(value.split()) != 5:
            raise ValueError("five parts are needed: minute hour day month weekday, as in 30 2 * * *")
        try:
            from datetime import datetime

            next(CronSim(value, datetime(2031, 1, 1)))
        except (CronSimError, StopIteration) as error:
            raise ValueError(f"no time fits it ({error})") from error
        return value

    @field_validator("retry_seconds")
    @classmethod
    def _no_wait_below_zero(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if any(wait < 0 for wait in value):
            raise ValueError("no wait can be below 0")
        return value

    @model_validator(mode="after")
    def _moved_where(self) -> NightSettings:
        if (self.after == "move") != (self.done is not None):
            raise ValueError('after = "move" and done = "FOLDER" go together')
        return self

    @property
    def patience(self) -> Patience:
        """How long files are waited for."""
        return Patience(timedelta(minutes=self.settle_minutes), self.look_seconds)


def night_settings(
    home: Path, said: Mapping[str, Any] | None = None, environment: Mapping[str, str] = os.environ
) -> NightSettings:
    """
    Put the settings of a home's nightly run together.

    Parameters
    ----------
    said
        What the command line says; null values were not said.
    environment
        Where `DRAINLEDGER_LANDING` and the like are looked up.

    Raises
    ------
    CallError
        When the command line or the environment says what cannot be.
    InputError
        When `nightly.toml` does; an unknown key is named with the nearest that there is.
    """
    names = list(NightSettings.model_fields)
    path = home / FILE
    filed = _filed(path, names)
    for name in _PATHS:
        if isinstance(filed.get(name), str):
            filed[name] = home / Path(filed[name]).expanduser()
    if str(filed.get("profile", "")).endswith(".toml"):
        filed["profile"] = str(home / Path(filed["profile"]).expanduser())
    surroundings = {
        name: environment[key] for name in names if environment.get(key := ENVIRONMENT + name.upper())
    }
    if "retry_seconds" in surroundings:
        surroundings["retry_seconds"] = surroundings["retry_seconds"].split(",")  # type: ignore[assignment]
    called = {name: value for name, value in (said or {}).items() if value is not None}
    try:
        NightSettings(**filed)
    except ValidationError as error:
        raise InputError(f"{path}: {_first(error)}.") from None
    try:
        return NightSettings(**{**filed, **surroundings, **called})
    except ValidationError as error:
        raise CallError(f"nightly: {_first(error)}.") from None


def _filed(path: Path, names: list[str]) -> dict[str, Any]:
    if not path.exists():
        return {}
    try:
        filed = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML ({error}); mend it.") from error
    for key in filed:
        if key not in names:
            raise InputError(f"{path}: unknown key {key}; {meant(key, names)}")
    return filed


def _first(error: ValidationError) -> str:
    first = error.errors(include_url=False)[0]
    place = ".".join(str(part) for part in first["loc"])
    said = first["msg"].removeprefix("Value error, ")
    value = f" {first['input']!r}" if place and not isinstance(first["input"], dict) else ""
    return f"{place}{value}: {said}" if place else said
