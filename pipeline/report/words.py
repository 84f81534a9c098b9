"""The ledger's words as a reader of a page would say them, and names of places that may be missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from schemas.vocabulary import OutcomeReason

REASONS = {
    OutcomeReason.REMOVAL_PRESUMED: "no, on a presumed removal",
    OutcomeReason.LOG_ENDS_LEAKING: "the log ends while it leaks",
    OutcomeReason.DIED: "died with the drain in",
    OutcomeReason.TRANSFERRED_WITH_DRAIN: "transferred with the drain",
    OutcomeReason.DISCHARGED_WITH_DRAIN: "discharged with the drain",
    OutcomeReason.REPLACED: "replaced by another drain",
    OutcomeReason.ACCIDENTAL: "came out by accident",
    OutcomeReason.REMOVED_LEAKING: "removed while it leaked",
    OutcomeReason.STILL_IN: "perhaps still in",
    OutcomeReason.GAP_SPANS_THRESHOLD: "no data around the threshold",
    OutcomeReason.LATE_ENTRY: "the log begins too late",
    OutcomeReason.CLOCK_UNCERTAIN: "the device's clock is uncertain",
    OutcomeReason.NO_LOG: "no log came",
    OutcomeReason.TOO_LITTLE_DATA: "too few minutes in which a leak could be judged",
}
NO_WARD = "no ward named"


# Letters that run from right to left, and signs that turn text about.
_TURNS = r"[\u0590-\u08FF\u200E\u200F\u202A-\u202E\u2066-\u2069\uFB1D-\uFEFC]"


def ward() -> pl.Expr:
    """
    Ward and site as one name, from the columns `site` and `unit`.

    A name that runs from right to left is kept apart, so that it does not turn the other about.
    """
    return pl.format("{} · {}", _apart(pl.col("unit").fill_null(NO_WARD)), _apart(pl.col("site"))).alias(
        "ward"
    )


def _apart(name: pl.Expr) -> pl.Expr:
    return pl.when(name.str.contains(_TURNS)).then(pl.format("\u2068{}\u2069", name)).otherwise(name)


def told(words: Mapping[Any, str], column: str) -> pl.Expr:
    """A column of the ledger's words in the reader's."""
    return pl.col(column).replace({str(key): value for key, value in words.items()})


def share(part: str, whole: str) -> pl.Expr:
    """`3 of 18`."""
    return pl.format("{} of {}", part, whole)


def per_cent(column: str, digits: int = 0) -> pl.Expr:
    """A share as text in per cent; `not known` where there is none."""
    number = (100 * pl.col(column)).round(digits)
    text = number.cast(pl.Int64) if digits == 0 else number
    return pl.when(pl.col(column).is_null()).then(pl.lit("not known")).otherwise(pl.format("{} %", text))


def interval(low: str, high: str, digits: int = 0) -> pl.Expr:
    """An interval of shares as text in per cent; `none` where there is none."""

    def number(column: str) -> pl.Expr:
        rounded = (100 * pl.col(column)).round(digits)
        return rounded.cast(pl.Int64) if digits == 0 else rounded

    unknown = pl.col(low).is_null() | pl.col(high).is_null()
    return pl.when(unknown).then(pl.lit("none")).otherwise(pl.format("{} to {} %", number(low), number(high)))
