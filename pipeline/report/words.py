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
    OutcomeReason.TOO_LITTLE_DATA: "too few minutes in which a leak could be judged",
}
FINDINGS = {
    "time_zones_differ": "exports of one device name different time zones",
    "drain_without_log": "a drain in the registry, no log of it",
    "minutes_without_drain": "minutes of a device that belong to no drain",
    "use_without_drain": "a use of a device that no registry row claims",
    "use_claimed_twice": "a use claimed by two drains",
    "log_outside_drain": "a log outside its drain's dates",
    "tube_out_before_in": "tube out before it went in",
    "procedure_end_after_out": "surgery ends after the tube came out",
    "annotation_without_minutes": "a note about minutes nobody has",
    "named_use_without_log": "a use named in the registry, no log of it",
    "device_not_in_registry": "a device with logs that no registry row names",
    "device_without_log": "a device named in the registry, no log of it",
    "site_silent": "a site whose newest log is much older than the others'",
    "file_waiting": "a file that no profile fits, or several do; it waits",
    "columns_ignored": "columns of files that their profile does not name",
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
