"""What a query's answer does not show and its reader should know: that a row counts less than it seems to."""

from __future__ import annotations

import re
from collections.abc import Collection

_ADDS_UP = re.compile(r"\b(?:sum|procedure)\b", re.IGNORECASE)
# Its contract has the same name, and brings frames along that a remark has no need of.
RATE_VIEW = "prolonged_leak_rate"
_RATES = re.compile(rf"\b{RATE_VIEW}\b", re.IGNORECASE)
_AVERAGED = re.compile(r"\b(?:avg|mean|median)\s*\(\s*(?:\w+\s*\.\s*)?\"?rate\b", re.IGNORECASE)
_OF_RATES = (
    "an average of rates weighs a procedure of three drains like one of three hundred; add counts up: "
    "sum(prolonged) / sum(evaluable)."
)
_BY_PROCEDURE = (
    "a row of prolonged_leak_rate is one procedure of a ward and month; for the ward add counts up, as "
    "shared/sql/prolonged_leak_by_ward_and_month.sql does."
)


def remark_on(query: str, columns: Collection[str]) -> str | None:
    """
    A remark on an answer; null: there is none.

    Examples
    --------
    >>> remark_on("SELECT unit, month, rate FROM prolonged_leak_rate", ["unit", "month", "rate"])
    'a row of prolonged_leak_rate is one procedure of a ward and month; for the ward add counts up, as
    shared/sql/prolonged_leak_by_ward_and_month.sql does.'
    >>> remark_on("SELECT sum(evaluable) FROM prolonged_leak_rate", ["sum(evaluable)"]) is None
    True
    >>> remark_on("SELECT unit, avg(rate) FROM prolonged_leak_rate GROUP BY unit", ["unit", "avg(rate)"])
    'an average of rates weighs a procedure of three drains like one of three hundred; add counts up:
    sum(prolonged) / sum(evaluable).'
    """
    if _RATES.search(query) is None:
        return None
    if _AVERAGED.search(query):
        return _OF_RATES
    return _BY_PROCEDURE if "rate" in columns and not _ADDS_UP.search(query) else None
