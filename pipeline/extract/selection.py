"""Whose drains a cohort takes, and what became of every other one, criterion by criterion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.extract.cohort_file import Cohort, Range
from pipeline.extract.local_time import clock_changed
from pipeline.extract.own_words import require_known_words
from schemas.errors import InputError
from schemas.extract import MAPPED_WORDS, UNMAPPED
from schemas.table import COUNT, TEXT, WHOLE, Column, Table

FLOW = Table(
    "flow",
    "How many drains each criterion left out, in the order in which the criteria were applied.",
    (
        Column("step", COUNT, "Order; 0 is the ledger.", nullable=False),
        Column(
            "what",
            TEXT,
            "all: drains of the ledger; outside: known not to meet the criterion; unknown: it cannot be "
            "told; included: drains of the extract.",
            nullable=False,
            words=("all", "outside", "unknown", "included"),
        ),
        Column("criterion", TEXT, "In words."),
        Column("drains", WHOLE, "How many; null where the count is too small to be told, or would tell one."),
    ),
    key=("step", "what"),
)

_LISTS = {
    "sites": ("site", "site"),
    "units": ("unit", "unit"),
    "procedures": ("procedure", "procedure_mapped"),
    "sides": ("side", "side"),
    "sexes": ("sex", "sex_mapped"),
    "adhesions": ("adhesions", "adhesions_mapped"),
    "removal_reasons": ("removal reason", "removal_reason"),
    "prolonged_leak": ("prolonged leak", "prolonged_leak"),
}
_RANGES = {
    "age_years": ("age in whole years", pl.col("age_years").floor()),
    "bmi": ("body mass index", pl.col("bmi")),
    "fev1_pct": ("FEV1 in % of predicted", pl.col("fev1_pct")),
    "tube_french": ("French gauge", pl.col("tube_french")),
    "observed_hours": ("hours with a row in a log", pl.col("minutes_observed") / 60),
    "completeness": ("share of the expected minutes observed", pl.col("completeness")),
}


@dataclass(frozen=True)
class Selected:
    """
    The drains that a cohort takes (rows of `candidates`), and FLOW over all of them, exact.

    `unmapped_out`: column → how many drains its criterion left out whose word no mapping names. They count as
    outside, for the cohort asks for words of the mapping; but a word may be missing there by mistake.
    """

    drains: pl.DataFrame
    flow: pl.DataFrame
    unmapped_out: Mapping[str, int]


def candidates(drain: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """
    All drains of the ledger with what only the private store knows of them.

    Parameters
    ----------
    drain
        DRAIN.
    known
        `Claims.drains`: keys, covariates and time zone.
    """
    more = [name for name in known.columns if name == "drain_id" or name not in drain.columns]
    every = drain.join(known.select(more), on="drain_id", how="left", validate="1:1").sort("drain_id")
    return every.with_columns(clock_changed=clock_changed(every))


def select_drains(drains: pl.DataFrame, cohort: Cohort) -> Selected:
    """
    Apply a cohort's criteria in the order of its file.

    A drain is left out by the first criterion it does not meet (`outside`) or of which it cannot be told
    whether it does (`unknown`); every drain of the ledger is either included or counted once.

    Parameters
    ----------
    drains
        From `candidates`; the mapped words are added here.

    Raises
    ------
    InputError
        When a site, a unit or a procedure is named that no drain has (`require_known_words`), or nobody is
        left.
    """
    require_known_words(drains, cohort)
    left = _with_mapped(drains, cohort)
    rows: list[tuple[int, str, str | None, int]] = [(0, "all", None, left.height)]
    unmapped_out: dict[str, int] = {}
    for step, criterion in enumerate(cohort.who.criteria, 1):
        meets, words = _criterion(cohort, criterion)
        judged = left.with_columns(meets=meets)
        outside, unknown = judged.filter(~pl.col("meets")).height, judged["meets"].null_count()
        rows += [(step, "outside", words, outside), (step, "unknown", words, unknown)]
        column = _LISTS.get(criterion, ("", ""))[1]
        if column.endswith("_mapped") and (strange := judged.filter(pl.col(column) == UNMAPPED).height):
            unmapped_out[column.removesuffix("_mapped")] = strange
        left = judged.filter("meets").drop("meets")
    rows.append((len(cohort.who.criteria) + 1, "included", None, left.height))
    flow = pl.DataFrame(rows, schema=FLOW.dtypes, orient="row")
    if left.is_empty():
        raise InputError(_nobody(cohort, flow))
    return Selected(left, flow, unmapped_out)


def _criterion(cohort: Cohort, name: str) -> tuple[pl.Expr, str]:
    """Whether a drain meets a criterion (null: cannot be told), and the criterion in words that may leave."""
    asked = getattr(cohort.who, name)
    if name in _RANGES:
        words, value = _RANGES[name]
        return _within(value, asked), f"{words} {asked}"
    if name in _LISTS:
        words, column = _LISTS[name]
        hidden = name == "units" or (name == "sites" and cohort.give.site != "name")
        listed = f"one of {len(asked)} named" if hidden else ", ".join(str(word) for word in asked)
        return pl.col(column).is_in([str(word) for word in asked]), f"{words}: {listed}"
    if name == "origin_from":
        return pl.col("origin_day") >= asked, f"origin on or after {asked}"
    if name == "origin_before":
        return pl.col("origin_day") < asked, f"origin before {asked}"
    if name == "linked_only":
        return pl.col("linked"), "a registry row stands behind the drain"
    if name == "clock_change":
        return ~pl.col("clock_changed"), "summer time neither began nor ended while the drain was in"
    assert name == "shared_use", name
    shared = pl.col("shared_use") if asked == "only" else ~pl.col("shared_use")
    return shared, f"{asked} a device use that serves another drain too"


def _within(value: pl.Expr, asked: Range) -> pl.Expr:
    bounds = [value >= asked.least] if asked.least is not None else []
    bounds += [value <= asked.most] if asked.most is not None else []
    return pl.all_horizontal(bounds)


def _with_mapped(drains: pl.DataFrame, cohort: Cohort) -> pl.DataFrame:
    """`<column>_mapped` for each mapped column: the word that leaves, or `unmapped`."""
    mapped = []
    for column in MAPPED_WORDS:
        words = cohort.mapping.of(column)
        if words is not None:
            known = pl.col(column).replace_strict(words, default=UNMAPPED, return_dtype=TEXT)
            mapped.append(pl.when(pl.col(column).is_not_null()).then(known).alias(f"{column}_mapped"))
    return drains.with_columns(mapped)


def _nobody(cohort: Cohort, flow: pl.DataFrame) -> str:
    out = flow.filter(pl.col("what").is_in(["outside", "unknown"]) & (pl.col("drains") > 0))
    said = "; ".join(
        f"{row['drains']} {'not known' if row['what'] == 'unknown' else 'left out'} by {row['criterion']}"
        for row in out.iter_rows(named=True)
    )
    total = flow["drains"][0]
    if total == 0:
        return f"cohort {cohort.name}: the ledger holds no drains; load files first."
    return f"cohort {cohort.name} selects none of the {total} drains: {said}. Loosen [who]."
