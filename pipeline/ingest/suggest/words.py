"""Words that exports use, and what they speak for (`words.toml`)."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files

_WHOLE_ONLY = 4  # signs from which on a word may also begin a longer one


@cache
def words(table: str) -> Mapping[str, tuple[str, ...]]:
    """One table of the list: what is meant → the words that speak for it."""
    text = (files("pipeline.ingest.suggest") / "words.toml").read_text(encoding="utf-8")
    return {meant: tuple(said) for meant, said in tomllib.loads(text)[table].items()}


def plain_words(text: str) -> list[str]:
    """
    The words of a header, in lower case and without accents; a unit (in brackets, or as mL/min) is none.

    Examples
    --------
    >>> plain_words("Höchster Sog [kPa]"), plain_words("pressure_max"), plain_words("airLeak mL/min")
    (['hochster', 'sog'], ['pressure', 'max'], ['air', 'leak'])
    """
    bare = re.sub(r"[(\[{][^)\]}]*[)\]}]|\b\w+/\w+\b", " ", text)
    bare = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", bare)
    return re.findall(r"[a-z0-9]+", folded(bare))


def folded(text: str) -> str:
    """Lower case, without accents."""
    apart = unicodedata.normalize("NFKD", text)
    return "".join(sign for sign in apart if not unicodedata.combining(sign)).casefold().strip()


def speaks(header: Sequence[str], meant: str) -> float:
    """How far a header's words speak for a column: 1 for a whole word of the list, less for a part."""
    best = 0.0
    for said in words("columns")[meant]:
        for word in header:
            if word == said:
                best = max(best, 1.0)
            elif len(said) >= _WHOLE_ONLY and (word.startswith(said) or word.endswith(said)):
                best = max(best, 0.7)
    return best


def state_of(text: str) -> str | None:
    """What a word, or a few that agree, says of a drain's state; null where none is known."""
    whole = meaning("states", text)
    parts = {meaning("states", part) for part in text.split()} - {None}
    return whole or (parts.pop() if len(parts) == 1 else None)


def meaning(table: str, text: str) -> str | None:
    """What a word of a cell or a header means, by a table of the list; null where it is not in it."""
    said = folded(text)
    return next((meant for meant, known in words(table).items() if said in known), None)
