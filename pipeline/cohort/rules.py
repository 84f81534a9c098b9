"""Removal rules as data: one TOML file each, in `shared/rules/`."""

from __future__ import annotations

import tomllib
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from pipeline.meant import meant
from schemas.errors import InputError, of_named_path
from shared import SHARED

CAUTION = "not a recommendation"


class RemovalRule(BaseModel):
    """
    One rule by which a tube might be judged ready to come out. No rule is a recommendation.

    Parameters
    ----------
    leak_at_most, leak_hours
        Leak at most this (mL/min) over so many hours of the rule's clock.
    excursion_minutes, excursion_up_to
        Minutes of those hours in which the leak may be above the limit, up to this (mL/min).
    output_at_most, output_hours
        Fluid at most this (mL) over so many hours; both left out: not asked.
    tidaling_within_hours
        Tidaling seen within this before; left out: not asked.
    completeness_at_least
        Share of the hours' minutes that must be known.
    earliest_hours
        Not before this after the origin.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    name: str = Field(pattern=r"^[a-z0-9_]{1,60}$")
    title: str
    source: str = Field(min_length=1)
    caution: str
    leak_at_most: float = Field(ge=0)
    leak_hours: float = Field(gt=0)
    excursion_minutes: int = Field(ge=0)
    excursion_up_to: float = Field(ge=0)
    output_at_most: float | None = Field(default=None, ge=0)
    output_hours: float | None = Field(default=None, gt=0)
    tidaling_within_hours: float | None = Field(default=None, gt=0)
    completeness_at_least: float = Field(ge=0, le=1)
    earliest_hours: float = Field(ge=0)

    @model_validator(mode="after")
    def _hangs_together(self) -> RemovalRule:
        if CAUTION not in self.caution:
            raise ValueError(f'caution must say "{CAUTION}"')
        if (self.output_at_most is None) != (self.output_hours is None):
            raise ValueError("output_at_most and output_hours go together")
        if self.excursion_minutes and self.excursion_up_to <= self.leak_at_most:
            raise ValueError("excursion_up_to must lie above leak_at_most")
        return self


KEYS = tuple(RemovalRule.model_fields)
FIGURES = tuple(key for key in RemovalRule.model_fields if key not in ("name", "title", "source", "caution"))


def telling(error: ValidationError) -> ErrorDetails:
    """Of what is wrong with a rule, the one to name: an unknown key, for it may be another misspelt."""
    every = error.errors()
    return next((one for one in every if one["type"] == "extra_forbidden"), every[0])


def load_rules(folder: Path | None = None) -> tuple[RemovalRule, ...]:
    """
    Read the removal rules of a folder, by name; without one, those shipped in `shared/rules/`.

    Raises
    ------
    InputError
        Naming the file and the key that is unknown, missing or wrong, or the name that comes twice.

    Examples
    --------
    >>> all("not a recommendation" in rule.caution for rule in load_rules())
    True
    """
    paths = sorted((folder or SHARED / "rules").glob("*.toml"))
    rules = [read_rule(path) for path in paths]
    names = [rule.name for rule in rules]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f'rule "{twice[0]}" is in more than one file; rename one.')
    return tuple(sorted(rules, key=lambda rule: rule.name))


def read_rule(path: Path) -> RemovalRule:
    """
    Read and check one rule file.

    Raises
    ------
    InputError
        Naming the file and the key.
    """
    try:
        return RemovalRule.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        said = f"{path.name}: cannot be read ({error.strerror}); check the path."
        raise of_named_path(error, said) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InputError(f"{path.name}: not valid TOML ({error}); mend that line.") from error
    except ValidationError as error:
        first = telling(error)
        place = ".".join(str(part) for part in first["loc"]) or "the rule"
        if first["type"] == "extra_forbidden":
            raise InputError(f"{path.name}: {place} is no key of a rule; {meant(place, KEYS)}") from error
        raise InputError(
            f"{path.name}: {place}: {first['msg'].removeprefix('Value error, ').lower()}; mend that key."
        ) from error
