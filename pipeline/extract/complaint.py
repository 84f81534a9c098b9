"""What is wrong with a file of settings, in one sentence that names the key and the nearest right one."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails


def sentence(error: ValidationError, model: type[BaseModel]) -> str:
    """The first problem; unknown keys first, for one is usually why another is missing."""
    problems = error.errors()
    unknown = [problem for problem in problems if problem["type"] == "extra_forbidden"]
    first = (unknown or problems)[0]
    within, key = _place(first)
    table = f"[{'.'.join(within)}] " if within else ""
    if unknown:
        known = _keys_of(within, model)
        return f'{table}unknown key "{key}"{nearest(key, known)}'
    if first["type"] == "missing":
        return f'{table}key "{key}" is missing.'
    message = str(first["msg"]).removeprefix("Value error, ")
    if not message.endswith("?"):
        message = f"{message.rstrip('.')}."
    return f"{table}{key}: {message}" if key else message


def _place(problem: ErrorDetails) -> tuple[list[str], str]:
    place = [str(part) for part in problem["loc"] if not isinstance(part, int)]
    return place[:-1], place[-1] if place else ""


def nearest(word: str, known: list[str]) -> str:
    """The end of a sentence about an unknown word: the nearest known one, else all there are."""
    near = get_close_matches(word, known, n=1, cutoff=0.5)
    if near:
        return f', did you mean "{near[0]}"?'
    return f"; there are {', '.join(known)}." if known else "."


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
