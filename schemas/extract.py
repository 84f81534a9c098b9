"""Tables of an extract: the published ones less everything that could name a patient."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from enum import StrEnum

from schemas.published import (
    ALERT,
    CANISTER,
    DRAIN,
    DRAIN_DAY,
    DRAIN_ID,
    DRAIN_OUTCOME,
    OPERATION,
    PERIOD,
    READINESS,
)
from schemas.registry import REGISTRY_DRAIN
from schemas.table import COUNT, DAY, FLAG, INSTANT, REAL, TEXT, WALL_CLOCK, WHOLE, Column, Table
from schemas.vocabulary import AlertCode

UNMAPPED = "unmapped"  # a word of the site's that the cohort's mapping does not name
RARE = "rare"  # a mapped word that too few patients bear
OLDEST = 90  # stands for 90 years and over (45 CFR 164.514(b)(2)(i)(C): ages over 89 in one group)

MAPPED_WORDS = ("site", "unit", "procedure", "sex", "adhesions", "pneumothorax_after")


class Dates(StrEnum):
    """How an extract tells when something was."""

    SHIFTED = "shifted"  # local wall clock, moved by the patient's secret number of days
    HOURS = "hours"  # hours since the drain's origin only


_HOUR = Column("hour_no", COUNT, "Hours since the origin, whole: hour 0 begins with it.", "h", nullable=False)

DRAIN_HOUR = Table(
    "drain_hour",
    "One row a drain and hour since its origin that the log has a minute of.",
    (
        DRAIN_ID,
        _HOUR,
        Column("minutes_observed", COUNT, "Minutes with a row in a log.", "min", nullable=False),
        Column("run_minutes", COUNT, "Minutes with suction running; null: never said.", "min"),
        Column("pause_minutes", COUNT, "Minutes paused; null: never said.", "min"),
        Column("leak_assessable_minutes", COUNT, "Minutes whose leak counts.", "min", nullable=False),
        Column("leak_mean_ml_min", REAL, "Mean leak over assessable minutes.", "mL/min"),
        Column("leak_peak_ml_min", REAL, "Greatest leak over assessable minutes.", "mL/min"),
        Column("leak_minutes", COUNT, "Minutes with the leak on; null: never assessable.", "min"),
        Column(
            "output_so_far_ml",
            REAL,
            "Fluid since the drain began, as last read in the hour; null: not read in it.",
            "mL",
        ),
        Column("set_pressure_cmh2o", REAL, "Median ordered pressure; suction is negative.", "cm[H2O]"),
        Column("pressure_mean_cmh2o", REAL, "Median of the minutes' mean pressures.", "cm[H2O]"),
        Column("tidaling_present_minutes", COUNT, "Minutes with tidaling seen.", "min"),
        Column("tidaling_absent_minutes", COUNT, "Minutes in which tidaling was found absent.", "min"),
        Column("tidaling_indeterminate_minutes", COUNT, "Minutes in which it could not be told.", "min"),
        Column("swing_median_cmh2o", REAL, "Median swing over minutes with tidaling.", "cm[H2O]"),
        Column("tilted_minutes", COUNT, "Minutes tilted; null: tilt never read.", "min"),
    ),
    key=("drain_id", "hour_no"),
)

# Tables that may leave, in the order in which they are written.
SOURCES: tuple[Table, ...] = (
    DRAIN,
    OPERATION,
    DRAIN_OUTCOME,
    DRAIN_DAY,
    PERIOD,
    READINESS,
    ALERT,
    CANISTER,
    DRAIN_HOUR,
)
GIVEN_NAMES: tuple[str, ...] = tuple(table.name for table in SOURCES)

_PLAIN = (TEXT, COUNT, WHOLE, REAL, FLAG)
_PSEUDONYMS = ("drain_id", "operation_id")
# Texts that code or definitions write, never a site.
_MACHINE_TEXTS = {
    "rule": (),
    "definition": (),
    "moved": (),
    "code": (*(str(code) for code in AlertCode), "other"),
}
# Long after the drain: beside the wall clock, hours would tell whether summer time lay between.
_HOURS_ONLY = ("reinserted_at", "readmitted_at")
# Follows from origin and definition; as an instant it would tell of summer time after the drain was out.
_LEFT_OUT = ("threshold_at",)
_COVARIATES = (
    Column("patient_id", TEXT, "Pseudonym of the patient, of this extract only; null if unlinked."),
    Column(
        "age_years", COUNT, f"Age in whole years; {OLDEST} stands for {OLDEST} and over.", "a", most=OLDEST
    ),
    Column("sex", TEXT, "Sex, as mapped."),
    REGISTRY_DRAIN.column("bmi"),
    REGISTRY_DRAIN.column("fev1_pct"),
    Column("adhesions", TEXT, "Pleural adhesions, as mapped."),
    Column("reinserted_at", INSTANT, "A drain was put in again."),
    Column("readmitted_at", INSTANT, "The patient came back."),
    Column("pneumothorax_after", TEXT, "Pneumothorax after removal, as mapped."),
)


def source_of(name: str) -> Table:
    """The table, with the covariates where it is `drain`, before anything is taken out of it."""
    table = next(table for table in SOURCES if table.name == name)
    return replace(table, columns=(*table.columns, *_COVARIATES)) if table is DRAIN else table


def released(name: str, dates: Dates, words: Mapping[str, tuple[str, ...]]) -> Table:
    """
    The contract of a table as it leaves the house.

    What a column holds decides, so that a column nobody thought of stays in: numbers, yes and no, and texts
    with a closed list of words leave; any other text leaves only where the cohort maps or renames it. An
    instant becomes the shifted local wall clock and hours since the origin, or the hours alone; a calendar
    day is shifted or left out. What happened long after the drain is told in hours alone.

    Parameters
    ----------
    words
        Column → the words it can hold, for those of `MAPPED_WORDS` that leave; empty: pseudonyms.
    """
    source = source_of(name)
    columns: list[Column] = []
    for column in source.columns:
        columns += _released(column, dates, words)
    if source is ALERT:  # codes of a site's own become one word, and two of them may begin together
        return Table(source.name, source.meaning, tuple(columns))
    names = {column.name for column in columns}
    key = [_hours_name(part) if _is_instant(source, part) else part for part in source.key]
    if dates is Dates.HOURS:
        key = ["day_no" if part == "day" else part for part in key]
    return Table(source.name, source.meaning, tuple(columns), tuple(part for part in key if part in names))


def _released(column: Column, dates: Dates, words: Mapping[str, tuple[str, ...]]) -> list[Column]:
    if column.name in _LEFT_OUT:
        return []
    if column.name in _PSEUDONYMS or column.name == "patient_id":
        return [replace(column, meaning=f"{column.meaning.rstrip('.')}; made for this extract.")]
    if column.dtype == INSTANT:
        return _times(column, dates)
    if column.dtype == DAY:
        meaning = f"{column.meaning.rstrip('.')}; shifted."
        return [] if dates is Dates.HOURS else [replace(column, meaning=meaning)]
    if column.name in MAPPED_WORDS:
        return [_named(column, words[column.name])] if column.name in words else []
    if column.dtype == TEXT and not column.words:
        known = _MACHINE_TEXTS.get(column.name)
        return [] if known is None else [replace(column, words=known)]
    return [column] if column.dtype in _PLAIN else []


def _times(column: Column, dates: Dates) -> list[Column]:
    hours = Column(
        _hours_name(column.name),
        REAL,
        f"{column.meaning.rstrip('.')}: hours since the drain's origin, as they went by.",
        "h",
        nullable=column.nullable,
    )
    wall = replace(
        column, dtype=WALL_CLOCK, meaning=f"{column.meaning.rstrip('.')}; local wall clock, shifted."
    )
    if column.name == "origin_at":
        return [] if dates is Dates.HOURS else [wall]
    return [hours] if dates is Dates.HOURS or column.name in _HOURS_ONLY else [wall, hours]


def _named(column: Column, words: tuple[str, ...]) -> Column:
    how = "as the cohort's mapping names it" if words else "a pseudonym of this extract"
    what = column.meaning.split(";")[0].split(" in the site's own words")[0].removesuffix(", as mapped.")
    return replace(column, meaning=f"{what.rstrip('.')}, {how}.", words=words)


def _hours_name(name: str) -> str:
    return f"{name.removesuffix('_at')}_hours"


def _is_instant(table: Table, name: str) -> bool:
    return table.column(name).dtype == INSTANT
