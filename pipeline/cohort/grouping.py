"""Groups of patients by any column of the registry: words as they are, numbers cut into ranges."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import polars as pl

from pipeline.meant import meant
from schemas.errors import CallError

BY = (
    "site",
    "unit",
    "procedure",
    "side",
    "tube_french",
    "age_years",
    "sex",
    "bmi",
    "fev1_pct",
    "adhesions",
)
# What people call a column of BY that has another name here, none of which its letters would tell.
_CALLED = {
    "site": ("hospital", "clinic", "centre", "center", "institution"),
    "unit": ("ward", "station", "department", "team"),
    "procedure": ("operation", "surgery", "resection", "procedures"),
    "side": ("laterality", "left_right"),
    "tube_french": ("tube", "french", "gauge", "drain_size", "charriere"),
    "age_years": ("age", "years"),
    "sex": ("gender",),
    "bmi": ("weight", "obesity", "body_mass_index"),
    "fev1_pct": ("fev1", "fev", "lung_function", "spirometry"),
    "adhesions": ("pleura", "pleurodesis"),
}
_COLUMN_CALLED = {word: column for column, words in _CALLED.items() for word in words}
_TIMES = ("month", "year", "quarter", "week", "date", "day", "time", "origin_at", "procedure_end_at")
_FEW = 6  # so many different numbers still stand for themselves, as gauges do


def column_meant(word: str) -> str:
    """
    What to do instead of grouping by a column that is not there, as the end of a sentence.

    Examples
    --------
    >>> column_meant("ward"), column_meant("procedur")
    ('did you mean unit?', 'did you mean procedure?')
    """
    asked = word.strip().casefold()
    if asked in _TIMES:
        return (
            "the moment of an operation makes no groups here; rates by month are in the table "
            'prolonged_leak_rate: drainledger sql "SELECT * FROM prolonged_leak_rate".'
        )
    if asked in _COLUMN_CALLED:
        return f"did you mean {_COLUMN_CALLED[asked]}?"
    return meant(word, BY)


def group_of(values: pl.Series, cuts: Sequence[float] | None = None) -> pl.Series:
    """
    The group of each value as text; null where nothing is recorded.

    Parameters
    ----------
    cuts
        Where a number goes from one group to the next, the cut itself to the upper. Without: numbers of which
        there are few stand for themselves, others are cut at their median.

    Raises
    ------
    CallError
        Where words are to be cut, or the cuts do not rise or are no finite numbers.

    Examples
    --------
    >>> group_of(pl.Series([40.0, 65.0, 80.0, None]), [65, 75]).to_list()
    ['1: below 65', '2: 65 to below 75', '3: 75 and above', None]
    """
    if not values.dtype.is_numeric():
        if cuts:
            raise CallError(f"outcomes: {values.name} holds words; leave out --cuts.")
        return values.cast(pl.String)
    known = values.drop_nulls()
    if not cuts and known.n_unique() <= _FEW:
        return pl.Series([None if v is None else f"{v:g}" for v in values], dtype=pl.String)
    middle = known.median()
    if cuts and not all(map(math.isfinite, cuts)):
        raise CallError("outcomes: a cut is a number; nan and inf cut nothing; write e.g. --cuts 65,75.")
    edges = list(cuts) if cuts else [float(middle)]  # type: ignore[arg-type]
    if any(a >= b for a, b in pairwise(edges)):
        raise CallError("outcomes: the cuts must rise; write e.g. --cuts 65,75.")
    names = [f"below {edges[0]:g}"]
    names += [f"{a:g} to below {b:g}" for a, b in pairwise(edges)]
    names.append(f"{edges[-1]:g} and above")
    place = sum(((values >= edge).cast(pl.Int32) for edge in edges[1:]), (values >= edges[0]).cast(pl.Int32))
    # A number before the words keeps the groups in order wherever they are sorted.
    return pl.Series([None if p is None else f"{p + 1}: {names[p]}" for p in place], dtype=pl.String)
