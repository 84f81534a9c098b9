"""
Patterns of a profile, asked of texts that anybody may have written.

The engine is Rust's, as Polars has it: its time grows with the length of the text and of the pattern and
never beyond, whatever stands in either. Python's own can be kept busy for years by one line of a file. The
price: a pattern cannot look ahead or behind, nor refer back to what it found.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import polars as pl

_LINES = "(?m)"  # ^ and $ stand at the ends of lines


def groups_of(pattern: str) -> tuple[str, ...]:
    """
    Names of the pattern's groups; a group without one has its number.

    Raises
    ------
    ValueError
        When the text is no pattern, in a sentence that says why.

    Examples
    --------
    >>> groups_of(r"^% drain (?P<device>\\S+)$")
    ('device',)
    """
    try:
        found = pl.Series([""]).str.extract_groups(_LINES + pattern)
    except pl.exceptions.PolarsError as error:
        said = " ".join(str(error).split()).rpartition("error: ")[2]
        raise ValueError(f"the pattern {pattern!r} is not a regular expression ({said})") from None
    return tuple(field.name for field in found.dtype.fields) if isinstance(found.dtype, pl.Struct) else ()


def holds(pattern: str, text: str) -> bool:
    """Whether the pattern fits somewhere in the text."""
    return bool(pl.Series([text]).str.contains(_LINES + pattern)[0])


def holding(asked: Sequence[tuple[str, str]]) -> list[bool]:
    """`holds` of several pairs of pattern and text, in one go: for a short text most is paid once a call."""
    fits = [
        pl.lit(text).str.contains(_LINES + pattern).alias(str(number))
        for number, (pattern, text) in enumerate(asked)
    ]
    return list(pl.select(fits).row(0)) if fits else []


def every(pattern: str, text: str, group: str) -> list[str]:
    r"""
    What a group holds wherever the pattern fits, in order; empty where the group found nothing.

    Examples
    --------
    >>> every(r"^% drain (?P<device>\S+)$", "% drain A\n% rows 3\n% drain B", "device")
    ['A', 'B']
    """
    fits = pl.lit(text).str.extract_all(_LINES + pattern).explode().drop_nulls()
    found = fits.str.extract_groups(_LINES + pattern).struct.field(group).fill_null("")
    return pl.select(found).to_series().to_list()


def first(pattern: str, text: str, group: str) -> str | None:
    """What a group holds where the pattern fits first; null where it does not, or the group found nothing."""
    return next(iter(every(pattern, text, group)), None) or None


def literal(text: str) -> str:
    r"""
    A pattern that fits this text; where it has blanks, any number of them.

    Examples
    --------
    >>> print(literal("Air leak (L/min)"))
    Air +leak +\(L\/min\)
    """
    signs = re.sub(r"([.^$*+?()\[\]{}|\\/-])", r"\\\1", text)
    return re.sub(" +", " +", signs).replace("\t", "\\t")
