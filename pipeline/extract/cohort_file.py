"""A cohort as a TOML file: whose drains, in which words, in what form they leave the house."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import date
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    StringConstraints,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from pipeline.extract.complaint import QUARRELS, Quarrel
from pipeline.meant import meant
from schemas.extract import GIVEN_NAMES, OLDEST, RARE, UNMAPPED, Dates
from schemas.vocabulary import ProlongedLeak, RemovalReason, Side

# What may stand in a mapped word: nothing that a spreadsheet runs and nothing that needs quoting.
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _./()+-]{0,59}")
_Own = Annotated[str, StringConstraints(min_length=1, max_length=200)]
# As TOML has them: text that looks like a number, a day or a yes is none.
_Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
_Day = Annotated[date, Field(strict=True)]
_Yes = Annotated[bool, Field(strict=True)]
_HOURLY = "drain_hour"  # the table that `hourly` asks for


def _can_leave(word: str) -> str:
    if not _WORD.fullmatch(word):
        raise ValueError(f'"{word}" cannot leave as a word; write up to 60 plain letters, digits and blanks')
    if word in (UNMAPPED, RARE):
        raise ValueError(f'"{word}" has a meaning of its own in an extract; choose another word')
    return word


def _is_given(name: str) -> str:
    offered = [name for name in GIVEN_NAMES if name != _HOURLY]
    if name == _HOURLY:
        raise ValueError(f'the hourly table is asked for with hourly = true; take "{_HOURLY}" out')
    if name not in offered:
        hint = meant(name, offered, '"')
        raise ValueError(f'there is no table "{name}", {hint}')
    return name


_Leaving = Annotated[str, AfterValidator(_can_leave)]
_Given = Annotated[str, AfterValidator(_is_given)]


class _Part(BaseModel):
    """A frozen table of a cohort file; a key it does not know is an error that names it."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Range(_Part):
    """From `least` to `most`, both included; either may be left out."""

    least: _Number | None = None
    most: _Number | None = None

    @model_validator(mode="after")
    def _hangs_together(self) -> Range:
        if self.least is None and self.most is None:
            raise ValueError("says neither least nor most; write { least = … }, { most = … } or both")
        if self.least is not None and self.most is not None and self.least > self.most:
            raise ValueError(f"least {self.least:g} lies above most {self.most:g}; turn them round")
        return self

    def __str__(self) -> str:
        if self.least is None:
            return f"at most {self.most:g}"
        return f"at least {self.least:g}" if self.most is None else f"{self.least:g} to {self.most:g}"


class Who(_Part):
    """
    Which drains: each key is one criterion, applied in the order in which the file has them.

    Days are the local calendar days of the origin. `sites` and `units` are the registry's own words, the
    others those of the mappings. A drain that a criterion cannot be told of is left out as unknown.
    """

    origin_from: _Day | None = None
    origin_before: _Day | None = None
    linked_only: Literal[True] | None = None
    sites: tuple[_Own, ...] | None = Field(default=None, min_length=1)
    units: tuple[_Own, ...] | None = Field(default=None, min_length=1)
    procedures: tuple[_Own, ...] | None = Field(default=None, min_length=1)
    sides: tuple[Side, ...] | None = Field(default=None, min_length=1)
    sexes: tuple[_Own, ...] | None = Field(default=None, min_length=1)
    adhesions: tuple[_Own, ...] | None = Field(default=None, min_length=1)
    age_years: Range | None = None
    bmi: Range | None = None
    fev1_pct: Range | None = None
    tube_french: Range | None = None
    removal_reasons: tuple[RemovalReason, ...] | None = Field(default=None, min_length=1)
    shared_use: Literal["without", "only"] | None = None
    clock_change: Literal["without"] | None = None
    observed_hours: Range | None = None
    completeness: Range | None = None
    prolonged_leak: tuple[ProlongedLeak, ...] | None = Field(default=None, min_length=1)

    _order: tuple[str, ...] = PrivateAttr(default=())

    @field_validator("linked_only", mode="before")
    @classmethod
    def _is_true(cls, value: object) -> object:
        if value is not None and value is not True:
            raise ValueError("can only be true; write linked_only = true, or take the line out")
        return value

    @field_validator("age_years")
    @classmethod
    def _tells_no_great_age(cls, value: Range | None) -> Range | None:
        if value and ((value.least or 0) > OLDEST or (value.most or 0) >= OLDEST):
            raise ValueError(
                f"ages of {OLDEST} and over are one group; ask for least up to {OLDEST}, most below"
            )
        return value

    @property
    def criteria(self) -> tuple[str, ...]:
        """The keys that the file has, in its order."""
        return self._order


class Mapping(_Part):
    """The registry's own words → the words that leave the house; null means none leave."""

    site: dict[_Own, _Leaving] | None = None
    unit: dict[_Own, _Leaving] | None = None
    procedure: dict[_Own, _Leaving] | None = None
    sex: dict[_Own, _Leaving] | None = None
    adhesions: dict[_Own, _Leaving] | None = None
    pneumothorax_after: dict[_Own, _Leaving] | None = None

    def of(self, column: str) -> dict[str, str] | None:
        """The mapping of one column."""
        found: dict[str, str] | None = getattr(self, column)
        return found


class Give(_Part):
    """
    What leaves and in what form.

    Parameters
    ----------
    dates
        `shifted`: local wall clock moved by the patient's secret number of days, beside exact hours since the
        origin. `hours`: the hours alone.
    keep_weekdays
        Shift by whole weeks, so that days of the week stay what they were; tells a little more.
    least_cell
        Counts of the flow from 1 to below this are not written, nor what would give them away; unsaid: as the
        definitions have it.
    group_rare
        Mapped procedures that fewer than `least_cell` patients of the extract bear leave as `rare`.
    site, unit
        `pseudonym`, `mapped` (by the mapping), `none`; a site's name may also leave as it is (`name`).
    """

    tables: tuple[_Given, ...] = ("drain", "operation", "drain_outcome", "drain_day", "period", "readiness")
    hourly: _Yes = False
    dates: Dates = Dates.SHIFTED
    keep_weekdays: _Yes = False
    rules: tuple[str, ...] | None = None
    least_cell: int | None = Field(default=None, ge=1, le=100, strict=True)
    group_rare: _Yes = True
    site: Literal["pseudonym", "mapped", "name", "none"] = "pseudonym"
    unit: Literal["pseudonym", "mapped", "none"] = "pseudonym"

    @field_validator("tables")
    @classmethod
    def _has_drains(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if "drain" not in value:
            raise ValueError('"drain" is missing: the other tables mean nothing without it; add it')
        return value

    @property
    def names(self) -> tuple[str, ...]:
        """Tables to write, in the order of the contract."""
        wanted = {*self.tables, *([_HOURLY] if self.hourly else [])}
        return tuple(name for name in GIVEN_NAMES if name in wanted)


class Cohort(_Part):
    """A cohort file, checked."""

    cohort: Literal[1]
    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,59}$")
    title: str = Field(min_length=1, max_length=200, pattern=r"^[A-Za-z0-9]")
    about: str = ""
    who: Who = Who()
    mapping: Mapping = Mapping()
    give: Give = Give()

    @field_validator("cohort", mode="before")
    @classmethod
    def _is_read_here(cls, value: object) -> object:
        if type(value) is not int or value != 1:
            raise ValueError("is the format of the file; this version reads cohort = 1")
        return value

    @model_validator(mode="after")
    def _hangs_together(self) -> Cohort:
        if quarrels := list(self._quarrels()):
            raise PydanticCustomError(QUARRELS, "keys do not go together", {"quarrels": quarrels})
        return self

    def _quarrels(self) -> Iterator[Quarrel]:
        who = self.who
        if who.origin_from and who.origin_before and who.origin_from >= who.origin_before:
            yield Quarrel(
                ("who.origin_from", "who.origin_before"),
                f"[who] origin_from {who.origin_from} is not before origin_before {who.origin_before}: "
                "no day lies between them; write the earlier day as origin_from.",
            )
        for key, column in (("procedures", "procedure"), ("sexes", "sex"), ("adhesions", "adhesions")):
            mapped = self.mapping.of(column)
            for word in getattr(who, key) or ():
                if mapped is None:
                    said = (
                        f"[who] {key} needs [mapping.{column}]: free text leaves the house only through a "
                        "mapping; add one."
                    )
                elif word not in mapped.values():
                    hint = meant(word, sorted(set(mapped.values())), '"')
                    said = f'[who] {key}: no word of [mapping.{column}] leads to "{word}", {hint}'
                else:
                    continue
                yield Quarrel((f"who.{key}", f"mapping.{column}"), said)
                if mapped is None:
                    break
        for column in ("site", "unit"):
            if (getattr(self.give, column) == "mapped") != (self.mapping.of(column) is not None):
                yield Quarrel(
                    (f"give.{column}", f"mapping.{column}"),
                    f'[give] {column} = "mapped" and [mapping.{column}] go together; add or drop one.',
                )

    def canonical(self) -> str:
        """The cohort as JSON: what was said and nothing else, criteria in their order."""
        content = self.model_dump(mode="json", exclude_none=True)
        content["who"] = {key: content["who"][key] for key in self.who.criteria}
        return json.dumps(content, ensure_ascii=False, separators=(",", ":"))
