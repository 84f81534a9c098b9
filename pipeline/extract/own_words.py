"""The registry's own words that a cohort names: does any drain have them, and if not, what was meant."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.extract.cohort_file import Cohort
from pipeline.extract.keys import is_sealed
from pipeline.meant import did_you_mean, nearest
from schemas.errors import Slips
from schemas.extract import MAPPED_WORDS

_OWN_WORDS = {"sites": "site", "units": "unit"}
_ASKED = {"procedures": "procedure", "sexes": "sex", "adhesions": "adhesions"}
_SAME = 0.8  # likeness from which a word is taken for a slip of the pen


@dataclass(frozen=True)
class IdleWord:
    """
    A word on the left of a mapping that no drain of the ledger has; for the house alone.

    `near`: the likest word that drains do have and no mapping names; null where none is like it.
    """

    column: str
    word: str
    near: str | None


def words_of(drains: pl.DataFrame, column: str) -> list[str]:
    """The own words of the sites in a column, sorted."""
    return drains[column].drop_nulls().unique().sort().to_list()


def idle_words(drains: pl.DataFrame, cohort: Cohort) -> tuple[IdleWord, ...]:
    """The words on the left of a cohort's mappings that no drain has, with what may have been meant."""
    found: list[IdleWord] = []
    for column in MAPPED_WORDS:
        mapping = cohort.mapping.of(column) or {}
        there = words_of(drains, column)
        spare = [word for word in there if word not in mapping]
        idle = [word for word in mapping if word not in there and not is_sealed(word)]
        found += [IdleWord(column, word, _near(word, spare)) for word in idle]
    return tuple(found)


def require_known_words(drains: pl.DataFrame, cohort: Cohort) -> None:
    """
    See that drains have the words that `[who]` asks for.

    A word of a mapping that no drain has is no error in itself: a cohort may serve several houses. It is one
    where it leads to a word asked for and a word that drains do have, and no mapping names, is all but the
    same, or the same with something added: those drains would be lost for a slip of the pen.

    Raises
    ------
    InputError
        A sentence for each such word, with the nearest that is there.
    """
    if told := [*_not_there(drains, cohort), *_not_reached(drains, cohort)]:
        raise Slips([f"cohort {cohort.name}: {said}" for said in told])


def _not_there(drains: pl.DataFrame, cohort: Cohort) -> Iterator[str]:
    """Words of the sites that `[who]` asks for and no drain has."""
    for key, column in _OWN_WORDS.items():
        there = words_of(drains, column)
        for word in getattr(cohort.who, key) or ():
            if word not in there:
                yield f"[who] {key}: no drain of the ledger {_none(word, there)}"


def _not_reached(drains: pl.DataFrame, cohort: Cohort) -> Iterator[str]:
    """Words of mappings that `[who]` asks for and that lead from no drain's word, or miss one by a slip."""
    for key, column in _ASKED.items():
        there = words_of(drains, column)
        mapping = cohort.mapping.of(column) or {}
        spare = [word for word in there if word not in mapping]
        for word in getattr(cohort.who, key) or ():
            own = [mine for mine, theirs in mapping.items() if theirs == word]
            slips = {mine: near for mine in own if mine not in there and (near := _slip(mine, spare))}
            for mine, near in slips.items():
                yield (
                    f'[mapping.{column}]: no drain of the ledger has "{mine}", but some have "{near}", which '
                    f'no mapping names; mend the word or take it out, or map "{near}" too.'
                )
            if not slips and not set(own) & set(there):
                yield (
                    f'[who] {key}: "{word}" stands for words that no drain of the ledger '
                    f"{_none(own[0], there)}"
                )


def _slip(word: str, spare: Sequence[str]) -> str | None:
    """The word that is there and not mapped, and is all but the same or the same with something added."""
    if is_sealed(word):
        return None
    parts = set(word.casefold().split())
    for other in spare:
        others = set(other.casefold().split())
        if parts and others and (parts <= others or others <= parts):
            return other
    return nearest(word, spare, _SAME)


def _near(word: str, spare: Sequence[str]) -> str | None:
    return _slip(word, spare) or nearest(word, spare)


def _none(word: str, there: Sequence[str]) -> str:
    if is_sealed(word):
        return "has any more; the registry has changed since."
    if asked := did_you_mean(word, there, '"'):
        return f'has "{word}", {asked}'
    some = ", ".join(there[:12])
    return f'has "{word}"; there are {some or "none"}.'
