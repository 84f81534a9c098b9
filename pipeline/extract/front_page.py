"""The page that lies on top of an extract: what it is, what it is not, and how it is made again."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.extract.cohort_file import Cohort
from pipeline.extract.release import Released
from schemas.extract import OLDEST, Dates

_DATES = {
    Dates.SHIFTED: (
        "Dates are moved back by a secret number of days, the same for all drains of a patient; times are "
        "the ward's local wall clock, so days stay days. Take durations from the `_hours` columns (hours "
        "since the drain's origin, as they went by): the wall clock jumps with summer time."
    ),
    Dates.HOURS: "There are no dates: times are hours since the drain's origin.",
}


def front_page(cohort: Cohort, extract: str, tables: Sequence[Released], least: int) -> str:
    """The README of an extract, as Markdown."""
    lines = [f"# {cohort.title}", ""]
    if cohort.about.strip():
        lines += [cohort.about.strip(), ""]
    lines += [
        f"Extract `{extract}` of the cohort `{cohort.name}`. Every table is there twice with the same "
        "content, as CSV and as Parquet.",
        "",
        "| table | rows | holds |",
        "|---|---|---|",
        *(f"| `{made.table.name}` | {made.rows.height} | {made.table.meaning} |" for made in tables),
        "",
        f"{_DATES[cohort.give.dates]} Ages of {OLDEST} and over are {OLDEST}. Names of drains, operations, "
        "patients and wards are made for this extract only. An empty cell is unknown, never nil.",
        "",
        "- `dictionary.md`, `dictionary.csv`: every column, with its unit (UCUM) and meaning",
        "- `flow.csv`, `flow.svg`: who was left out, by which criterion, in order"
        + ("" if least == 1 else f"; counts below {least} are not told, nor what would give them away"),
        "- `datapackage.json`: the same for tools (Data Package standard, version 2)",
        "- `manifest.json`: what it was made from. In the house that made it, `drainledger verify` on this "
        "folder makes it again and says whether it is the same, byte for byte",
        "",
        "It may not be given on as anonymous: courses of drainage are as particular as their patients, and "
        "shifted dates are not those of the US Safe Harbor rule. It looks back at finished therapy, for "
        "research and teaching; it is not a monitor or a medical device and decides nothing at the "
        "bedside. Missing tidaling has several causes, a sealed and expanded lung among them.",
        "",
    ]
    return "\n".join(lines)
