"""What is wrong with a file of settings, in one sentence: which key, what it says, what to write instead."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from datetime import date
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

_SHOWN = 40  # characters of a wrong value


def sentence(error: ValidationError, model: type[BaseModel]) -> str:
    """The first problem; unknown keys first, for one is usually why another is missing."""
    problems = error.errors()
    unknown = [problem for problem in problems if problem["type"] == "extra_forbidden"]
    first = (unknown or problems)[0]
    within, key = _place(first, model)
    table = f"[{'.'.join(within)}] " if within else ""
    if unknown:
        return f'{table}unknown key "{key}"{nearest(key, _keys_of(within, model))}'
    if first["type"] == "missing":
        return f'{table}key "{key}" is missing; add a line {key} = … .'
    message = _SAID.get(first["type"], _unforeseen)(key, first["input"], first.get("ctx", {}), first["msg"])
    if not message.endswith("?"):
        message = f"{message.rstrip('.')}."
    return f"{table}{key}: {message}" if key else f"{table}{message}"


def nearest(word: str, known: list[str]) -> str:
    """The end of a sentence about an unknown word: the nearest known one, else all there are."""
    near = get_close_matches(word, known, n=1, cutoff=0.5)
    if near:
        return f', did you mean "{near[0]}"?'
    return f"; there are {', '.join(known)}." if known else "."


def _place(problem: ErrorDetails, model: type[BaseModel]) -> tuple[list[str], str]:
    """The table and the key; a table that is wrong as a whole has no key."""
    place = [str(part) for part in problem["loc"] if not isinstance(part, int) and part != "[key]"]
    if problem["type"] == "value_error" and len(place) == 1 and _keys_of(place, model):
        return place, ""
    return place[:-1], place[-1] if place else ""


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
    day = re.match(r"\d{4}-\d{2}-\d{2}", _plain(value))
    what = "is text" if isinstance(value, str) else "is no day"
    example = day[0] if day else "2031-01-31"
    return f"{_toml(value)} {what}; write the day alone and without quotes: {key} = {example}"


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
    "bool_type": _is("{value} is neither yes nor no; write true or false, without quotes"),
    "bool_parsing": _is("{value} is neither yes nor no; write true or false, without quotes"),
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
    model: Any = whole
    for key in within:
        field = model.model_fields.get(key)
        inner = (
            [kind for kind in (field.annotation, *get_args(field.annotation)) if _is_part(kind)]
            if field
            else []
        )
        if not inner:
            return []
        model = inner[0]
    return list(model.model_fields)


def _is_part(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
