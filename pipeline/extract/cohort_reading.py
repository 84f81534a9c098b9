"""A cohort file, read: one cohort, or every slip in it at once."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline.extract.cohort_file import Cohort, Range, Who
from pipeline.extract.complaint import complaints
from pipeline.extract.toml_slips import read_toml
from schemas.errors import InputError, Slips, of_named_path
from schemas.registry import REGISTRY_DRAIN

_STAND_IN = {"cohort": 1, "name": "a", "title": "A"}  # for a top key that was told, so that the rest is read
_MOST_ROUNDS = 8  # a slip hides another at most a few times: its key, its table, two tables side by side
_COVARIATES = ("age_years", "bmi", "fev1_pct", "tube_french")  # of the registry, whose limits hold here too


def read_cohort(path: Path) -> Cohort:
    """
    Read and check a cohort file.

    Raises
    ------
    InputError
        A sentence for each slip: which file, which key, what is wrong with it, what to do.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        said = f"cohort {path}: cannot be read ({error.strerror}); check the path."
        raise of_named_path(error, said) from error
    except UnicodeDecodeError as error:
        raise InputError(f"cohort {path}: is not UTF-8 text; save it as UTF-8.") from error
    return parse_cohort(text, path.name)


def parse_cohort(text: str, file: str = "the cohort") -> Cohort:
    """
    Make a cohort of TOML text and check all of it.

    What is wrong is taken out and the rest looked at again, so that slips which hide behind others are told
    in the same run.

    Raises
    ------
    InputError
        As `read_cohort`.

    Examples
    --------
    >>> parse_cohort('cohort = 1\\nname = "a"\\ntitle = "A"\\n[who]\\nsights = ["x"]', "a.toml")
    Traceback (most recent call last):
    ...
    schemas.errors.Slips: cohort a.toml: [who] unknown key "sights", did you mean "sites"?
    """
    content, told = read_toml(text)
    if told and not content:
        raise _slips(file, told)
    order = tuple(content.get("who", ())) if isinstance(content.get("who"), dict) else ()
    wrong: set[tuple[str, ...]] = set()
    for _ in range(_MOST_ROUNDS):
        try:
            made = Cohort.model_validate(content)
        except ValidationError as error:
            found = complaints(error, Cohort)
            told += [one.said for one in found if not _touches(one.places, wrong)]
            places = {place for one in found for place in one.places}
            wrong |= places
            _take_out(content, places)
            continue
        told += list(_out_of_reach(made.who))
        break
    if told:
        raise _slips(file, told)
    made.who._order = order
    return made


def written_cohort(content: dict[str, Any], file: str) -> Cohort:
    """The cohort that `Cohort.canonical` wrote as JSON, where days are text."""
    try:
        made = Cohort.model_validate_json(json.dumps(content))
    except ValidationError as error:
        raise _slips(file, [one.said for one in complaints(error, Cohort)]) from error
    made.who._order = tuple(content.get("who", {}))
    return made


def _slips(file: str, told: Iterable[str]) -> Slips:
    return Slips([f"cohort {file}: {said}" for said in told])


def _touches(places: Iterable[tuple[str, ...]], wrong: Iterable[tuple[str, ...]]) -> bool:
    """Whether a place was taken out before, or holds one that was: what is said of it may follow from it."""
    wrong = tuple(wrong)
    return any(place[: len(one)] == one or one[: len(place)] == place for place in places for one in wrong)


def _take_out(content: dict[str, Any], places: Iterable[tuple[str, ...]]) -> None:
    for place in places:
        *tables, key = place
        within: Any = content
        for table in tables:
            within = within.get(table) if isinstance(within, dict) else None
        if isinstance(within, dict):
            within.pop(key, None)
        if not tables and key in _STAND_IN:
            content[key] = _STAND_IN[key]


def _out_of_reach(who: Who) -> Iterator[str]:
    """
    Ranges with an end that no drain can lie beyond: such an end is a slip, of the key, the unit or a digit.

    Asked of files that people write and not of what an earlier extract says it was made from: that stands.
    """
    for key in _COVARIATES:
        column = REGISTRY_DRAIN.column(key)
        held = f"what a registry row may hold ({column.least:g} to {column.most:g} {column.unit})"
        yield from _beyond(key, getattr(who, key), column.least, column.most, held)
    yield from _beyond("observed_hours", who.observed_hours, 0, None, "what can be (0 hours or more)")
    yield from _shares("completeness", who.completeness)


def _beyond(
    key: str, asked: Range | None, least: float | None, most: float | None, held: str
) -> Iterator[str]:
    for end in ("least", "most"):
        value = None if asked is None else getattr(asked, end)
        if value is not None and not _within(value, least, most):
            yield f"[who.{key}] {end}: {value:g} lies outside {held}; mend it, or take {end} out."


def _within(value: float, least: float | None, most: float | None) -> bool:
    return (least is None or value >= least) and (most is None or value <= most)


def _shares(key: str, asked: Range | None) -> Iterator[str]:
    for end in ("least", "most"):
        value = None if asked is None else getattr(asked, end)
        if value is None or 0 <= value <= 1:
            continue
        hint = f"write {value / 100:g} for {value:g} %" if 1 < value <= 100 else "write a number between"
        yield f"[who.{key}] {end}: {value:g} is no share, which goes from 0 to 1; {hint}."
