"""What is wrong with a file of settings, a sentence each: which key, what it says, what to write instead."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from datetime import date
from typing import Any, NamedTuple, TypeGuard, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pipeline.extract.toml_slips import day_meant, looks_like_a_day, yes_or_no_meant
from pipeline.meant import meant, nearest

_SHOWN = 40  # characters of a wrong value


QUARRELS = "quarrels"  # type of the error that says which keys do not go together, a Quarrel each


class Quarrel(NamedTuple):
    """Keys that do not go together, each with its table (`who.sites`), and the sentence about them."""

    keys: tuple[str, ...]
    said: str


class Complaint(NamedTuple):
    """A sentence about a file of settings, and the places in it that it is about."""

    places: tuple[tuple[str, ...], ...]
    said: str


def complaints(error: ValidationError, model: type[BaseModel]) -> list[Complaint]:
    """
    A sentence for everything that is wrong, unknown keys first.

    A key that is missing is not told where an unknown one of its table is probably that key, misspelt.
    """
    problems = error.errors()
    unknown = [problem for problem in problems if problem["type"] == "extra_forbidden"]
    rest = [problem for problem in problems if problem["type"] != "extra_forbidden"]
    misspelt: set[tuple[str, ...]] = set()
    told: list[Complaint] = []
    for problem in (*unknown, *rest):
        if problem["type"] == QUARRELS:
            quarrels = problem["ctx"]["quarrels"]
            told += [Complaint(tuple(tuple(key.split(".")) for key in keys), said) for keys, said in quarrels]
            continue
        within, key = _place(problem, model)
        place = (*within, key) if key else tuple(within)
        if problem["type"] == "missing" and place in misspelt:
            continue
        if problem["type"] == "too_short" and any(place in one.places for one in told):
            continue  # its words were told, each
        places = [place]
        if problem["type"] == "extra_forbidden" and (near := nearest(key, _keys_of(within, model))):
            places.append((*within, near))
            misspelt.add((*within, near))
        told.append(Complaint(tuple(places), _sentence(problem, within, key, model)))
    return told


def _sentence(problem: ErrorDetails, within: list[str], key: str, model: type[BaseModel]) -> str:
    table = f"[{'.'.join(within)}] " if within else ""
    if problem["type"] == "extra_forbidden":
        return f'{table}unknown key "{key}", {_meant_key(within, key, problem["input"], model)}'
    if problem["type"] == "missing":
        return f'{table}key "{key}" is missing; add a line {key} = … .'
    say = _SAID.get(problem["type"], _unforeseen)
    message = say(key, problem["input"], problem.get("ctx", {}), problem["msg"])
    if not message.endswith(("?", ".")):
        message = f"{message}."
    return f"{table}{key}: {message}" if key else f"{table}{message}"


def _meant_key(within: list[str], key: str, value: Any, model: type[BaseModel]) -> str:
    """The key that an unknown one may have meant, with its value as a list where that key takes one."""
    known = _keys_of(within, model)
    near = nearest(key, known)
    if near is not None and isinstance(value, str) and _takes_a_list(within, near, model):
        return f"did you mean {near} = {_toml([value])}?"
    return meant(key, known, '"')


def _takes_a_list(within: list[str], key: str, model: type[BaseModel]) -> bool:
    part = _part_at(within, model)
    annotation = None if part is None else part.model_fields[key].annotation
    return any(get_origin(kind) is tuple for kind in (annotation, *get_args(annotation)))


def _parts(problem: ErrorDetails) -> tuple[list[str], str]:
    place = [str(part) for part in problem["loc"] if not isinstance(part, int) and part != "[key]"]
    return place[:-1], place[-1] if place else ""


def _place(problem: ErrorDetails, model: type[BaseModel]) -> tuple[list[str], str]:
    """The table and the key; a table that is wrong as a whole has no key."""
    within, key = _parts(problem)
    if problem["type"] == "value_error" and not within and _keys_of([key], model):
        return [key], ""
    return within, key


_Say = Callable[[str, Any, Mapping[str, Any], str], str]


def _is(told: str) -> _Say:
    """`{key}`, `{value}` and what pydantic knows of the bound, in our words."""
    return lambda key, value, bound, message: told.format(key=key, value=_toml(value), **bound)


def _no_list(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    example = _toml([value]) if isinstance(value, str) else '["…"]'
    return f"{_toml(value)} is no list; write {key} = {example}"


def _no_table(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    if bound.get("class_name") != "Range":
        return f"{_toml(value)} is no table; write a line [{key}] and its keys below it"
    ends = value if isinstance(value, list) and len(value) == 2 else [value]
    numbers = [_number(end) for end in ends]
    if len(numbers) == 2 and None not in numbers:
        return f"{_toml(value)} is no range; write {{ least = {numbers[0]}, most = {numbers[1]} }}"
    least = numbers[0] or "…"
    return f"{_toml(value)} is no range; write {{ least = {least} }}, {{ most = {least} }} or both"


def _no_mapping(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    return f'{_toml(value)} is no table; write [mapping.{key}] and below it "own word" = "word that leaves"'


def _no_number(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    return f"{_toml(value)} is no number; write {key} = {_number(value) or '…'}, without quotes"


def _no_day(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    written = re.match(r"\d{4}-\d{2}-\d{2}", _plain(value))
    if isinstance(value, str) and written is None and looks_like_a_day(value):
        day = day_meant(value)
        means = f"{key} = {day}" if day else "year-month-day, as in 2031-01-31"
        return f"{_toml(value)} is a day in another order; write it without quotes: {means}"
    what = "is text" if isinstance(value, str) else "is no day"
    example = written[0] if written else "2031-01-31"
    return f"{_toml(value)} {what}; write the day alone and without quotes: {key} = {example}"


def _no_yes(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    truth = yes_or_no_meant(_plain(value))
    if truth is None:
        return f"{_toml(value)} is neither true nor false; write one of them, without quotes"
    return f"{_toml(value)} is neither true nor false; write {key} = {str(truth).lower()}, without quotes"


def _no_such_word(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    words = str(bound.get("expected", "")).replace("'", '"')
    return f"{_toml(value)} is not one of its words; write {words}"


def _no_name(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    if key != "name":
        return f"{_toml(value)} cannot stand there; begin with a plain letter or digit"
    better = re.sub(r"[^a-z0-9_-]+", "_", str(value).lower()).strip("_-")[:60]
    return (
        f"{_toml(value)} is no name; write up to 60 small letters, digits, _ and -, a letter or digit first: "
        f'name = "{better or "my_cohort"}"'
    )


def _own_words(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    return message.removeprefix("Value error, ")


def _unforeseen(key: str, value: Any, bound: Mapping[str, Any], message: str) -> str:
    return f"{_toml(value)} cannot be used ({message[:1].lower()}{message[1:]}); mend that key"


_SAID: dict[str, _Say] = {
    "tuple_type": _no_list,
    "too_short": _is("names nothing; name at least one, or take the line out"),
    "model_type": _no_table,
    "dict_type": _no_mapping,
    "float_type": _no_number,
    "finite_number": _is("{value} bounds nothing; write a number, or leave {key} out"),
    "date_type": _no_day,
    "date_parsing": _no_day,
    "date_from_datetime_inexact": _no_day,
    "date_from_datetime_parsing": _no_day,
    "string_type": _is("{value} is no text; write it in quotes"),
    "string_too_short": _is("has an empty word; write at least one letter in the quotes"),
    "string_too_long": _is("is too long; write at most {max_length} letters"),
    "string_pattern_mismatch": _no_name,
    "enum": _no_such_word,
    "literal_error": _no_such_word,
    "bool_type": _no_yes,
    "bool_parsing": _no_yes,
    "int_type": _is("{value} is no whole number; write one, without quotes"),
    "int_from_float": _is("{value} is no whole number; write one, without quotes"),
    "greater_than_equal": _is("{value} is too small; write {ge} or more"),
    "less_than_equal": _is("{value} is too great; write {le} or less"),
    "value_error": _own_words,
}


def _toml(value: Any) -> str:
    """A value as a TOML file has it, cut where it is long."""
    if isinstance(value, list | tuple):
        text = f"[{', '.join(map(_toml, value))}]"
    elif isinstance(value, dict):
        text = f"{{ {', '.join(f'{key} = {_toml(inner)}' for key, inner in value.items())} }}"
    else:
        text = json.dumps(value, ensure_ascii=False) if isinstance(value, str | bool) else _plain(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


def _plain(value: Any) -> str:
    return value.isoformat() if isinstance(value, date) else str(value)


def _number(value: Any) -> str | None:
    """What number somebody may have meant, as written; null where it is none."""
    try:
        finite = not isinstance(value, bool) and math.isfinite(float(value))
    except (TypeError, ValueError):
        return None
    return str(value).strip() if finite else None


def _keys_of(within: list[str], whole: type[BaseModel]) -> list[str]:
    part = _part_at(within, whole)
    return [] if part is None else list(part.model_fields)


def _part_at(within: list[str], whole: type[BaseModel]) -> type[BaseModel] | None:
    """The model of a table within the whole; null where that is no table of fixed keys."""
    model: type[BaseModel] = whole
    for key in within:
        field = model.model_fields.get(key)
        kinds = (field.annotation, *get_args(field.annotation)) if field else ()
        inner = next((kind for kind in kinds if _is_part(kind)), None)
        if inner is None:
            return None
        model = inner
    return model


def _is_part(kind: Any) -> TypeGuard[type[BaseModel]]:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
