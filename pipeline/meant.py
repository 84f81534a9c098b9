"""What somebody may have meant by a word that is not known here: the nearest of those that are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import get_close_matches

_ALIKE = 0.6  # of difflib's ratio: a letter lost or swapped in a short word is above, another word below


def nearest(word: str, known: Iterable[str], alike: float = _ALIKE) -> str | None:
    """
    The known word that is most like an unknown one, whatever its capitals; null where none is like it.

    Examples
    --------
    >>> nearest("Tube_outat", ["tube_in_at", "tube_out_at"]), nearest("weather", ["side"])
    ('tube_out_at', None)
    """
    return next(iter(nearest_few(word, known, 1, alike)), None)


def nearest_few(word: str, known: Iterable[str], most: int, alike: float = _ALIKE) -> list[str]:
    """The known words that are like an unknown one, the likest first."""
    by_folded: dict[str, str] = {}
    for one in known:
        by_folded.setdefault(one.casefold(), one)
    near = get_close_matches(word.strip().casefold(), list(by_folded), most, alike)
    return [by_folded[folded] for folded in near]


def did_you_mean(word: str, known: Iterable[str], mark: str = "") -> str:
    """
    A question after the nearest known word; empty where none is like it.

    Parameters
    ----------
    mark
        What stands before and after the word, as where it is written: a quotation mark in a TOML file.

    Examples
    --------
    >>> did_you_mean("sights", ["sites", "units"], '"'), did_you_mean("weather", ["sites"])
    ('did you mean "sites"?', '')
    """
    near = nearest(word, known)
    return "" if near is None else f"did you mean {mark}{near}{mark}?"


def meant(word: str, known: Sequence[str], mark: str = "") -> str:
    """
    The end of a sentence about an unknown word: the nearest known one, else all there are.

    Examples
    --------
    >>> meant("leek", ["leak", "fluid"]), meant("weather", ["leak", "fluid"])
    ('did you mean leak?', 'there are leak, fluid.')
    """
    return did_you_mean(word, known, mark) or f"there are {', '.join(known) or 'none'}."
