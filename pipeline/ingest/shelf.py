"""The shelf of profiles: the built-in one, those shipped with the project, those of a folder."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, get_args

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from pipeline.ingest.profile import Profile
from pipeline.ingest.sources import Part
from pipeline.meant import meant
from schemas.errors import InputError, of_named_path
from shared import SHARED

TO_FILL = "?"  # what a drafted profile holds where nobody can tell from a file
BUILT_IN = Path(__file__).parent / "v1.toml"


def load_profiles(folder: Path | None = None, unusable: list[str] | None = None) -> tuple[Profile, ...]:
    """
    All profiles a file can be read with: `v1`, those of `shared/profiles/`, those of `folder`.

    Parameters
    ----------
    unusable
        Takes a sentence for each that cannot be used, and the others are given; null: that is an error.

    Raises
    ------
    InputError
        For the first profile that cannot be used, or when two bear one name.

    Examples
    --------
    >>> load_profiles()[0].name
    'v1'
    """
    folders = [SHARED / "profiles", *([folder] if folder is not None else [])]
    paths = [path for place in folders for path in sorted(place.glob("*.toml"))]
    profiles: dict[str, Profile] = {}
    for path in [BUILT_IN, *paths]:
        try:
            profile = _shelved(path)
        except InputError as error:
            if unusable is None:
                raise
            unusable.append(str(error))
            continue
        if profile.name in profiles:
            raise InputError(
                f"profile '{profile.name}' is there twice; rename {path.name} and the name in it."
            )
        profiles[profile.name] = profile
    return tuple(profiles.values())


def parse_profile(text: str, file: str = "the profile") -> Profile:
    """
    Make a profile of TOML text and check all of it.

    Parameters
    ----------
    file
        How the text's file is called in messages.

    Raises
    ------
    InputError
        One sentence: which key, what is wrong with it, what to do.

    Examples
    --------
    >>> parse_profile('name = "e"\\ndelimeter = ";"', "e.toml")
    Traceback (most recent call last):
    ...
    schemas.errors.InputError: profile 'e': unknown key "delimeter", did you mean "delimiter"? Edit e.toml.
    """
    return _parsed(text, file)


@lru_cache(maxsize=64)  # a ledger is read again with one recorded profile for thousands of files
def _parsed(text: str, file: str) -> Profile:
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{file} is not valid TOML: {error}; mend that line.") from error
    if asked := _to_fill(raw):
        name = raw.get("name") if isinstance(raw.get("name"), str) else file.removesuffix(".toml")
        raise InputError(f"profile '{name}': still to be filled in (\"?\"): {', '.join(asked)}. Edit {file}.")
    try:
        profile = Profile.model_validate(raw)
    except ValidationError as error:
        name = raw.get("name") if isinstance(raw.get("name"), str) else file.removesuffix(".toml")
        raise InputError(f"profile '{name}': {_sentence(error)} Edit {file}.") from error
    profile._text = text
    return profile


def _to_fill(table: Mapping[str, Any], within: str = "") -> list[str]:
    """Keys at which a draft left a question mark for a person to write over."""
    found = []
    for key, value in table.items():
        if isinstance(value, Mapping):
            found += _to_fill(value, f"{within}.{key}" if within else key)
        elif value == TO_FILL:
            found.append(f"[{within}] {key}" if within else key)
    return found


def read_profile(path: Path) -> Profile:
    """
    The profile in a TOML file.

    Raises
    ------
    CallError
        When there is no such file.
    InputError
        When it cannot be read, or the profile in it cannot be used.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        said = f"profile {path}: cannot be read ({error.strerror}); check the path."
        raise of_named_path(error, said) from error
    except UnicodeDecodeError as error:
        raise InputError(f"profile {path}: is not UTF-8 text; save it as UTF-8.") from error
    return parse_profile(text, path.name)


def _shelved(path: Path) -> Profile:
    profile = read_profile(path)
    if profile.name != path.stem:
        raise InputError(
            f'{path.name} calls its profile "{profile.name}"; give file and profile the same name.'
        )
    return profile


def _sentence(error: ValidationError) -> str:
    """The first problem; unknown keys first, for one is usually why another is missing."""
    problems = error.errors()
    unknown = [problem for problem in problems if problem["type"] == "extra_forbidden"]
    if unknown:
        return " ".join(_unknown_key(*_place(problem)) for problem in unknown)
    within, key = _place(problems[0])
    table = f"[{'.'.join(within)}] " if within else ""
    if problems[0]["type"] == "missing":
        return f'{table}key "{key}" is missing; add it.'
    message = str(problems[0]["msg"]).removeprefix("Value error, ")
    place = f"{table}{key}".strip()
    sentence = f"{place}: {message}" if place else message
    return sentence if sentence.endswith(("?", ".")) else f"{sentence}."


def _place(problem: ErrorDetails) -> tuple[list[str], str]:
    """The tables a problem lies within, and its key."""
    place = [str(part) for part in problem["loc"]] or [""]
    return place[:-1], place[-1]


def _unknown_key(within: list[str], key: str) -> str:
    table = f"[{'.'.join(within)}] " if within else ""
    known = _keys_of(within)
    hint = meant(key, known, '"')
    return f'{table}unknown key "{key}", {hint}'


def _keys_of(within: list[str]) -> list[str]:
    """Names of the keys a (nested) table of a profile may have."""
    model: type[Part] = Profile
    for key in within:
        field = model.model_fields.get(key)
        inner = _part_in(field.annotation) if field is not None else None
        if inner is None:
            return []
        model = inner
    return list(model.model_fields)


def _part_in(annotation: Any) -> type[Part] | None:
    if isinstance(annotation, type) and issubclass(annotation, Part):
        return annotation
    return next((found for inner in get_args(annotation) if (found := _part_in(inner))), None)
