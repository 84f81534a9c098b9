"""
The data dictionary of the published database, a page made from the contracts: `make dictionary`.

Everything in it stands in `schemas/`, once: the same words guard the tables and are the comments in the
database. Only which table is told beside which is decided here.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from schemas.macros import MACROS, Macro
from schemas.published import DEFINITION, TABLES
from schemas.table import Column, Table
from schemas.views import VIEWS
from shared import SHARED

PAGE = SHARED / "guides" / "dictionary.md"

# Heading, what is told under it, and its tables and views in the order in which one asks for them.
GROUPS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "Drains, and what happened to them",
        "Start with `drain`. Everything else here hangs on its `drain_id`.",
        (
            "drain",
            "operation",
            "drain_day",
            "period",
            "alert",
            "canister",
            "readiness",
            "annotation",
            "minute",
        ),
    ),
    (
        "How often leaks were prolonged",
        "For meetings: rates with their intervals, months against a baseline, wards beside each other.",
        (
            "prolonged_leak_rate",
            "prolonged_leak_chart",
            "prolonged_leak_funnel",
            "prolonged_leak_counted",
            "chart_baseline",
            "chart_rule",
        ),
    ),
    (
        "How long leaks lasted, and what hangs on the definition",
        "For studies: durations with censoring, groups, and each judgement moved.",
        (
            "leak_survival",
            "leak_incidence",
            "leak_at_threshold",
            "leak_by_stratum",
            "leak_comparison",
            "leak_sensitivity",
            "drain_outcome",
            "counted_outcome",
        ),
    ),
    (
        "What was done on the wards, and what devices did",
        "For teaching. None of it is a mark for a ward: patients who walk tilt their drains.",
        (
            "handling",
            "alarm",
            "alert_clearing",
            "suspected_occlusions",
            "drain_counted_as",
            "removal_delay",
            "device_use",
        ),
    ),
    (
        "What the figures stand on",
        "Which files there are, what was rejected or is missing, what moved, and every threshold.",
        (
            "load_file",
            "rejected_row",
            "data_quality",
            "change",
            "drain_use",
            "definition",
            "provenance",
        ),
    ),
)

_OPENING = """\
# Data dictionary of the published database

Every table, view and macro of `drainledger.duckdb`, with each column's type, unit and meaning. Made from the
contracts in `schemas/` by `make dictionary`; the same words are comments in the database itself. The words of
the trade are in the [glossary](glossary.md), questions with their queries in [shared/sql](../sql/README.md).

> **Caution.** These tables tell of drainage that is over, for audit, teaching and research. They watch nobody
> and decide nothing at a bedside. That tidaling is absent has several causes, a sealed lung that is up among
> them; a drain that still leaks is never clamped because of a figure. Those licensed to treat decide, by the
> protocol of their house.

- **Empty is unknown, never nil.** A count of minutes is empty where its input was never read.
- **Times** (`…_at`, `minute`) are UTC. **Days and months** are the site's own local ones.
- **Units** are UCUM codes: `cm[H2O]`, `mL/min`, `min`, `h`; `1` is a share from 0 to 1. Suction is negative.
- **Key**: the columns that together name one row."""


def dictionary_of_database() -> str:
    """
    The page, in Markdown: a heading a group, a section a table or view, the macros last.

    Examples
    --------
    >>> "| `pause_hours` | number | `h` |" in dictionary_of_database()
    True
    """
    tables = {table.name: table for table in (*TABLES, DEFINITION, *VIEWS)}
    parts = [_OPENING, ""]
    for heading, _, names in GROUPS:
        linked = " · ".join(f"[`{name}`](#{name})" for name in names)
        parts += [f"- {heading}: {linked}"]
    parts += ["- [Macros](#macros)", ""]
    for heading, about, names in GROUPS:
        parts += [f"## {heading}", "", about, ""]
        for name in names:
            parts += described(tables[name], heading="###")
    parts += ["## Macros", "", "Called in a query as a function is; `wilson_low(2, 12)`.", ""]
    return "\n".join([*parts, *_macros(MACROS)]) + "\n"


def described(table: Table, *, heading: str = "##") -> list[str]:
    """The lines of one table's section: what a row is, its key, its columns."""
    lines = [f"{heading} {table.name}", "", table.meaning, ""]
    if table.key:
        lines += [f"Key: {', '.join(f'`{name}`' for name in table.key)}.", ""]
    lines += ["| column | type | unit | meaning |", "|---|---|---|---|"]
    return [*lines, *map(_row, table.columns), ""]


def _row(column: Column) -> str:
    meaning = column.meaning.replace("|", "\\|")
    if column.words:
        meaning += " One of: " + ", ".join(f"`{word}`" for word in column.words) + "."
    unit = f"`{column.unit}`" if column.unit else ""
    return f"| `{column.name}` | {column.type_said} | {unit} | {meaning} |"


def _macros(macros: Sequence[Macro]) -> list[str]:
    rows = [f"| `{macro.call}` | {macro.meaning}{_as_table(macro)} |" for macro in macros]
    return ["| macro | gives |", "|---|---|", *rows]


def _as_table(macro: Macro) -> str:
    return f" Stands where a table stands: `FROM {macro.name}()`." if macro.gives_rows else ""


def write(page: Path = PAGE) -> Path:
    """Write the page anew; returns its path."""
    page.write_text(dictionary_of_database(), encoding="utf-8")
    return page


if __name__ == "__main__":
    print(write())
