"""A cohort as a TOML file: whose drains, in which words, in what form they leave the house."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    StringConstraints,
    ValidationError,
    field_validator,
    model_validator,
)

from pipeline.extract.complaint import nearest, sentence
from schemas.errors import InputError
from schemas.extract import GIVEN_NAMES, OLDEST, RARE, UNMAPPED, Dates
from schemas.vocabulary import ProlongedLeak, RemovalReason, Side

# What may stand in a mapped word: nothing that a spreadsheet runs and nothing that needs quoting.
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _./()+-]{0,59}")
_Own = Annotated[str, StringConstraints(min_length=1, max_length=200)]
# As TOML has them: text that looks like a number, a day or a yes is none.
_Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
_Day = Annotated[date, Field(strict=True)]
_Yes = Annotated[bool, Field(strict=True)]


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

    @model_validator(mode="after")
    def _hangs_together(self) -> Who:
        if self.origin_from and self.origin_before and self.origin_from >= self.origin_before:
            raise ValueError(
                f"origin_from {self.origin_from} is not before origin_before {self.origin_before}: "
                "no day lies between them; write the earlier day as origin_from"
            )
        return self

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

    site: dict[_Own, str] | None = None
    unit: dict[_Own, str] | None = None
    procedure: dict[_Own, str] | None = None
    sex: dict[_Own, str] | None = None
    adhesions: dict[_Own, str] | None = None
    pneumothorax_after: dict[_Own, str] | None = None

    @field_validator("*")
    @classmethod
    def _words_can_leave(cls, value: dict[str, str] | None) -> dict[str, str] | None:
        for word in (value or {}).values():
            if not _WORD.fullmatch(word):
                raise ValueError(
                    f'"{word}" cannot leave as a word; write up to 60 plain letters, digits and blanks'
                )
            if word in (UNMAPPED, RARE):
                raise ValueError(f'"{word}" has a meaning of its own in an extract; choose another word')
        return value

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

    tables: tuple[str, ...] = ("drain", "operation", "drain_outcome", "drain_day", "period", "readiness")
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
    def _known_tables(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        offered = [name for name in GIVEN_NAMES if name != "drain_hour"]
        for name in value:
            if name == "drain_hour":
                raise ValueError('the hourly table is asked for with hourly = true; take "drain_hour" out')
            if name not in offered:
                raise ValueError(f'there is no table "{name}"{nearest(name, offered)}')
        if "drain" not in value:
            raise ValueError('"drain" is missing: the other tables mean nothing without it; add it')
        return value

    @property
    def names(self) -> tuple[str, ...]:
        """Tables to write, in the order of the contract."""
        wanted = {*self.tables, *(["drain_hour"] if self.hourly else [])}
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
        for key, column in (("procedures", "procedure"), ("sexes", "sex"), ("adhesions", "adhesions")):
            words = getattr(self.who, key)
            mapped = self.mapping.of(column)
            if words is None:
                continue
            if mapped is None:
                raise ValueError(
                    f"[who] {key} needs [mapping.{column}]: free text leaves the house only through a mapping"
                )
            for word in words:
                if word not in mapped.values():
                    hint = nearest(word, sorted(set(mapped.values())))
                    raise ValueError(f'[who] {key}: no word of [mapping.{column}] leads to "{word}"{hint}')
        for column in ("site", "unit"):
            if (getattr(self.give, column) == "mapped") != (self.mapping.of(column) is not None):
                raise ValueError(
                    f'[give] {column} = "mapped" and [mapping.{column}] go together; add or drop one'
                )
        return self

    def canonical(self) -> str:
        """The cohort as JSON: what was said and nothing else, criteria in their order."""
        content = self.model_dump(mode="json", exclude_none=True)
        content["who"] = {key: content["who"][key] for key in self.who.criteria}
        return json.dumps(content, ensure_ascii=False, separators=(",", ":"))


def read_cohort(path: Path) -> Cohort:
    """
    Read and check a cohort file.

    Raises
    ------
    InputError
        One sentence: which file, which key, what is wrong with it, what to do.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise InputError(f"cohort {path}: cannot be read ({error.strerror}); check the path.") from error
    except UnicodeDecodeError as error:
        raise InputError(f"cohort {path}: is not UTF-8 text; save it as UTF-8.") from error
    return parse_cohort(text, path.name)


def parse_cohort(text: str, file: str = "the cohort") -> Cohort:
    """
    Make a cohort of TOML text and check all of it.

    Raises
    ------
    InputError
        As `read_cohort`.

    Examples
    --------
    >>> parse_cohort('cohort = 1\\nname = "a"\\ntitle = "A"\\n[who]\\nsights = ["x"]', "a.toml")
    Traceback (most recent call last):
    ...
    schemas.errors.InputError: cohort a.toml: [who] unknown key "sights", did you mean "sites"?
    """
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"cohort {file}: not valid TOML ({error}); mend that line.") from error
    return _checked(lambda: Cohort.model_validate(raw), raw, file)


def written_cohort(content: dict[str, Any], file: str) -> Cohort:
    """The cohort that `Cohort.canonical` wrote as JSON, where days are text."""
    return _checked(lambda: Cohort.model_validate_json(json.dumps(content)), content, file)


def _checked(make: Callable[[], Cohort], content: dict[str, Any], file: str) -> Cohort:
    """The cohort; the order of its criteria is that of the keys in `who`."""
    try:
        made = make()
    except ValidationError as error:
        raise InputError(f"cohort {file}: {sentence(error, Cohort)}") from error
    made.who._order = tuple(content.get("who", {}))
    return made
