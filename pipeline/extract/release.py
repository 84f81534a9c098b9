"""De-identification: from the ledger's tables to those that leave the house."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.cohort.operations import operations
from pipeline.cohort.quantities import hours
from pipeline.definitions import Definitions, ExtractRules
from pipeline.extract.cohort_file import Cohort
from pipeline.extract.keys import ExtractKey, shift_days
from pipeline.extract.local_time import shifted_wall_clock
from pipeline.meant import meant
from schemas.errors import InputError
from schemas.extract import MAPPED_WORDS, OLDEST, RARE, UNMAPPED, Dates, released, source_of
from schemas.table import COUNT, INSTANT, TEXT, Table
from schemas.vocabulary import OTHER_ALERT_PREFIX

_PATIENT = ["timezone", "shift_days", "drain_origin_at"]


@dataclass(frozen=True)
class Released:
    """One table as it leaves: its contract and its rows in their order."""

    table: Table
    rows: pl.DataFrame


def release(
    drains: pl.DataFrame,
    frames: Mapping[str, pl.DataFrame],
    cohort: Cohort,
    key: ExtractKey,
    definitions: Definitions,
) -> list[Released]:
    """
    Take everything out that could name a patient, and put pseudonyms and shifted times in.

    Hospital keys, serials, uses and free text are left behind by the contract (`schemas.extract.released`);
    ids of drains, operations and patients are made anew for this extract; sites and units become pseudonyms
    or mapped words; ages of 90 and over become 90; instants are cut to the minute and become the local
    wall clock moved by the patient's secret days, and hours since the drain's origin.

    Parameters
    ----------
    drains
        `Selected.drains`.
    frames
        Published tables by name (`operation` is made from the drains chosen, not read), and `drain_hour`
        where asked for. Rows of other drains are left out.
    Raises
    ------
    InputError
        When the cohort asks for a removal rule that the ledger does not have.
    """
    least = least_cell(cohort, definitions)
    dated = _dated(drains, cohort, key, definitions.extract)
    named, words = _renamed(dated, cohort, key, least)
    made = []
    for name in cohort.give.names:
        table = released(name, cohort.give.dates, words)
        made.append(Released(table, _rows(name, table, named, frames, cohort, key)))
    return made


def least_cell(cohort: Cohort, definitions: Definitions) -> int:
    """The least count that may be told: the cohort's, else the definitions'."""
    return cohort.give.least_cell or definitions.statistics.suppress_below


def _dated(drains: pl.DataFrame, cohort: Cohort, key: ExtractKey, rules: ExtractRules) -> pl.DataFrame:
    people = drains.select("site", pl.coalesce("patient_key", pl.format("drain|{}", "drain_id"))).rows()
    days = {
        person: shift_days(
            key.secret,
            person,
            rules.shift_least,
            rules.shift_most,
            whole_weeks=cohort.give.keep_weekdays,
        )
        for person in sorted(set(people))
    }
    return drains.with_columns(
        shift_days=pl.Series([days[person] for person in people], dtype=pl.Int32),
        drain_origin_at=pl.col("origin_at"),
    )


def _renamed(
    drains: pl.DataFrame, cohort: Cohort, key: ExtractKey, least: int
) -> tuple[pl.DataFrame, dict[str, tuple[str, ...]]]:
    """Drains with the words that leave in place of the site's own, and what words each column can hold."""
    words: dict[str, tuple[str, ...]] = {}
    new: dict[str, pl.Expr | pl.Series] = {}
    for column in MAPPED_WORDS:
        mapping = cohort.mapping.of(column)
        if mapping is not None:
            words[column] = (*sorted(set(mapping.values())), UNMAPPED)
            new[column] = pl.col(f"{column}_mapped")
    if "procedure" in new and cohort.give.group_rare and least > 1:
        rare = _rare(drains, least)
        words["procedure"] = (*words["procedure"], RARE)
        mapped = pl.col("procedure_mapped")
        new["procedure"] = pl.when(mapped.is_in(rare)).then(pl.lit(RARE)).otherwise(mapped)
    if cohort.give.site == "pseudonym":
        words["site"], new["site"] = (), _each(drains, ["site"], lambda site: key.place("site", site))
    elif cohort.give.site == "name":
        words["site"] = tuple(drains["site"].unique().sort().to_list())
    if cohort.give.unit == "pseudonym":
        new["unit"] = _each(drains, ["site", "unit"], lambda site, unit: key.place("unit", site, unit))
        words["unit"] = ()
    new["patient_id"] = _each(drains, ["site", "patient_key"], key.patient)
    return drains.with_columns(**new), words


def _rare(drains: pl.DataFrame, least: int) -> list[str]:
    """Mapped procedures that fewer than `least` known patients bear."""
    patient = pl.format("{}|{}", "site", "patient_key")  # null: unknown, and perhaps one of the known
    borne = drains.filter(~pl.col("procedure_mapped").is_in([UNMAPPED])).group_by("procedure_mapped")
    return (
        borne.agg(patients=patient.drop_nulls().n_unique())
        .filter(pl.col("patients") < least)
        .sort("procedure_mapped")["procedure_mapped"]
        .to_list()
    )


def _each(drains: pl.DataFrame, columns: list[str], name: Callable[..., str]) -> pl.Series:
    """A name for each row from some of its columns; null where one of them is."""
    rows = drains.select(columns).rows()
    names = {row: name(*row) for row in sorted({row for row in rows if None not in row})}
    return pl.Series([names.get(row) for row in rows], dtype=TEXT)


def _rows(
    name: str,
    table: Table,
    named: pl.DataFrame,
    frames: Mapping[str, pl.DataFrame],
    cohort: Cohort,
    key: ExtractKey,
) -> pl.DataFrame:
    rows = _of_the_cohort(name, named, frames, cohort)
    instants = [c.name for c in source_of(name).columns if c.dtype == INSTANT]
    since = pl.col("drain_origin_at").dt.truncate("1m")
    rows = rows.with_columns(
        hours(pl.col(instant).dt.truncate("1m") - since).alias(f"{instant.removesuffix('_at')}_hours")
        for instant in instants
    )
    if cohort.give.dates is Dates.SHIFTED:
        rows = shifted_wall_clock(rows, [name for name in instants if name in table.names])
        days = [c for c in ("day", "origin_day") if c in rows.columns]
        rows = rows.with_columns(pl.col(c) + pl.duration(days=pl.col("shift_days")) for c in days)
    for column, rename in (("drain_id", key.drain), ("operation_id", key.operation)):
        if column in rows.columns:
            rows = rows.with_columns(_each(rows, [column], rename).alias(column))
    if name == "drain":
        rows = rows.with_columns(pl.col("age_years").floor().clip(upper_bound=OLDEST).cast(COUNT))
    if name == "alert":
        code = pl.col("code")
        own = code.str.starts_with(OTHER_ALERT_PREFIX)
        rows = rows.with_columns(code=pl.when(own).then(pl.lit("other")).otherwise(code))
    order = [*table.key, *(n for n in table.names if n not in table.key)]
    return table.validate(table.conform(rows).sort(order, nulls_last=True))


def _of_the_cohort(
    name: str, named: pl.DataFrame, frames: Mapping[str, pl.DataFrame], cohort: Cohort
) -> pl.DataFrame:
    """The rows of a table that belong to the cohort, each with its patient's zone and shift."""
    if name == "drain":
        return named
    if name == "operation":
        made = operations(named)
        first = named.filter(pl.col("operation_id").is_not_null()).unique(
            "operation_id", keep="first", maintain_order=True
        )
        return made.join(first.select("operation_id", *_PATIENT), on="operation_id")
    rows = frames[name].join(named.select("drain_id", *_PATIENT), on="drain_id")
    if name == "readiness" and cohort.give.rules is not None:
        known = frames[name]["rule"].unique().sort().to_list()
        for rule in cohort.give.rules:
            if rule not in known:
                raise InputError(
                    f'cohort {cohort.name}: [give] rules: the ledger has no removal rule "{rule}"; '
                    + meant(rule, known, '"')
                )
        rows = rows.filter(pl.col("rule").is_in(list(cohort.give.rules)))
    return rows
