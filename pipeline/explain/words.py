"""Words for clauses: what each is about, its value, and the figure it is held against."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.definitions import Definitions
from pipeline.explain.answer import Clause, Value, Way, answer_of
from shared import SHARED


@dataclass(frozen=True)
class Words:
    """
    How one clause is told.

    Parameters
    ----------
    says
        What the clause is about.
    value
        Expression over the frame the clause is evaluated on; null: there is nothing to show.
    compare
        What is asked of the value: `>`, `at most`, `is`.
    limit
        A word, a number, or an expression; null: the value of `figure`.
    unit
        Of value and limit; null: that of `figure`.
    figure
        Name in the definitions, `section.figure`.
    """

    says: str
    value: pl.Expr | None = None
    compare: str = ""
    limit: pl.Expr | str | float | None = None
    unit: str | None = None
    figure: str = ""


RUNNING = Words("state of the device", pl.col("state"), "is", "run", "")


def told(
    name: str,
    says: str,
    frame: pl.DataFrame,
    row: int,
    clauses: Mapping[str, pl.Expr],
    words: Mapping[str, Words],
    definitions: Definitions,
) -> Way:
    """
    Evaluate clauses on a frame and tell those of one row in words.

    They are evaluated on the whole frame, as the flag is, and the row is taken from the result: what a
    single row gives may differ in the last digit.
    """
    columns: dict[str, pl.Expr] = {}
    for name_, holds in clauses.items():
        columns[f"{name_}|holds"] = holds
        of = _words(name_, words)
        if of.value is not None:
            columns[f"{name_}|value"] = of.value
        if isinstance(of.limit, pl.Expr):
            columns[f"{name_}|limit"] = of.limit
    found = frame.select(**columns).row(row, named=True)
    return Way(
        name, says, tuple(_clause(name_, _words(name_, words), found, definitions) for name_ in clauses)
    )


def _words(name: str, words: Mapping[str, Words]) -> Words:
    """Its words; a clause that has none yet is told by its name."""
    return words.get(name) or Words(name.replace("_", " "))


def _clause(name: str, words: Words, found: Mapping[str, Value], definitions: Definitions) -> Clause:
    limit: Value
    if isinstance(words.limit, pl.Expr):
        limit = found[f"{name}|limit"]
    elif words.limit is not None:
        limit = words.limit
    else:
        limit = figure_value(words.figure, definitions) if words.figure and words.compare else None
    holds = found[f"{name}|holds"]
    assert holds is None or isinstance(holds, bool)
    return Clause(
        name,
        words.says,
        answer_of(holds),
        found.get(f"{name}|value"),
        unit_of(words.figure) if words.unit is None else words.unit,
        words.compare,
        limit,
        words.figure,
    )


def figure_value(name: str, definitions: Definitions) -> float:
    """
    The value of a figure by its name.

    Examples
    --------
    >>> from pipeline.definitions import load_definitions
    >>> figure_value("tilted.limit", load_definitions())
    10.0
    """
    section, _, figure = name.partition(".")
    return float(getattr(getattr(definitions, section), figure))


def unit_of(name: str) -> str:
    """
    The unit of a figure by its name, empty for a plain number or no figure.

    Examples
    --------
    >>> unit_of("tilted.limit"), unit_of("clamp.readings"), unit_of("")
    ('deg', '', '')
    """
    unit = _units().get(name, "")
    return "" if unit == "1" else unit


@cache
def _units() -> dict[str, str]:
    raw = tomllib.loads((SHARED / "definitions.toml").read_text(encoding="utf-8"))
    return {
        f"{section}.{name}": figure["unit"]
        for section, body in raw.items()
        if isinstance(body, dict)
        for name, figure in body.items()
        if isinstance(figure, dict)
    }
