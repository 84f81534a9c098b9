"""How what-ifs are printed: a table for people, JSON for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl
from rich.console import Console
from rich.table import Table

from flows.research.whatif import WhatIf
from flows.show.results import show_json
from pipeline.definitions import Definitions, load_definitions
from schemas.whatif import EVENTS, RULE_FIGURES

_WIDTH = 100
_MOST_RULES = 60
_MOST_LISTED = 8  # combinations left out, or groups of rules that are alike

CAUTION = (
    "Looks back at finished therapy. No rule is a recommendation: what was done rested on more than a log "
    "shows, and whoever is licensed to treat the patient decides. Dry and tight can also be a blocked tube."
)
NOTES = (
    "Ready rests on what was known by then. After: hours from the origin, median. To removal: hours from "
    "the first ready minute (ready_at) to the removal as it was, median and quartiles; the report's page "
    "and removal_delay count from ready for good, the start of the unbroken stretch up to the removal "
    "(ready_since_at), which is later or the same. Left before: removed before ready.",
)
SELECTION = (
    "What happened after the removal as it was. Tubes that stayed after they were ready stayed for reasons "
    "no log shows, so the two groups are not alike and their difference is not the rule's doing."
)


def show_whatif(found: WhatIf, *, as_json: bool, left_out: Sequence[str] = ()) -> None:
    """
    Print the figures of rules: when ready, what it would have saved, and what came back.

    Parameters
    ----------
    left_out
        Combinations of a grid that no rule can be, with the reason.
    """
    if as_json:
        rows = found.figures.to_dicts()
        show_json(
            {
                "caution": CAUTION,
                "drains": found.drains,
                "drains_without_log": found.unlogged,
                "combinations_skipped": len(left_out),
                "combinations_left_out": list(left_out),
                "alike": [list(titles) for titles in alike(found.figures)],
                "rules": rows,
            }
        )
        return
    console = Console(width=_WIDTH, highlight=False)
    unlogged = f", {found.unlogged} more without a log" if found.unlogged else ""
    console.print(f"{found.drains} drains{unlogged}")
    if left_out:
        many = "1 combination" if len(left_out) == 1 else f"{len(left_out)} combinations"
        console.print(f"{many} of the grid left out, for the figures do not go together:")
        _list(console, left_out)
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    for name in ("rule", "ready", "after", "to removal", "left before", "leak back", "bounds"):
        table.add_column(name, justify="left" if name == "rule" else "right", no_wrap=name != "rule")
    for row in found.figures.head(_MOST_RULES).iter_rows(named=True):
        table.add_row(*_main(row))
    console.print(table)
    if found.figures.height > _MOST_RULES:
        left = found.figures.height - _MOST_RULES
        console.print(f"… and {left} more rules; --json gives all, --picture draws them.")
    if same := alike(found.figures.head(_MOST_RULES)):
        console.print("Alike in every figure, for no drain here tells these rules apart:")
        _list(console, ["  =  ".join(titles) for titles in same])
    events = [event for event in EVENTS if _recorded(found.figures, event)]
    if events:
        console.print()
        _show_events(console, found.figures.head(_MOST_RULES), events)
        console.print(SELECTION)
    else:
        console.print("The registry tells of no reinsertion, pneumothorax or readmission after removal.")
    console.print()
    for note in (*NOTES, _leak_note(load_definitions()), CAUTION):
        console.print(note)


def alike(figures: pl.DataFrame) -> list[tuple[str, ...]]:
    """
    Titles of rules whose figures are the same throughout, by the first of them.

    Parameters
    ----------
    figures
        WHATIF.
    """
    told = [name for name in figures.columns if name not in ("rule", "title", *RULE_FIGURES)]
    groups = figures.group_by(told, maintain_order=True).agg("title")["title"].to_list()
    return [tuple(titles) for titles in groups if len(titles) > 1]


def _list(console: Console, lines: Sequence[str]) -> None:
    for line in lines[:_MOST_LISTED]:
        console.print(f"  {line}", markup=False)
    if len(lines) > _MOST_LISTED:
        console.print(f"  and {len(lines) - _MOST_LISTED} more; --json lists all.")


def _main(row: dict[str, Any]) -> list[str]:
    return [
        str(row["title"]),
        f"{row['ready']} of {row['drains']}",
        _hours(row["ready_after_hours_median"]),
        _spread(row),
        _of(row, "removed_before_ready", "removal_told"),
        _back(row),
        f"{_percent(row['leak_back_if_unknown_no'])} to\n{_percent(row['leak_back_if_unknown_yes'])}",
    ]


def _show_events(console: Console, figures: pl.DataFrame, events: list[str]) -> None:
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    table.add_column("rule", overflow="fold")
    for event in events:
        for group in ("before", "after"):
            table.add_column(f"{event}, removed {group} ready", justify="right", overflow="fold")
    for row in figures.iter_rows(named=True):
        cells = [
            _of(row, f"{event}_{group}_ready", f"{event}_{group}_ready_told")
            for event in events
            for group in ("before", "after")
        ]
        table.add_row(str(row["title"]), *cells)
    console.print(table)


def _recorded(figures: pl.DataFrame, event: str) -> bool:
    told = figures.select(
        pl.col(f"{event}_before_ready_told").sum() + pl.col(f"{event}_after_ready_told").sum()
    )
    return bool(told.item() or 0)


def _of(row: dict[str, Any], name: str, told: str) -> str:
    if not row[told]:
        return "none told"
    share, low, high = (row[f"{name}_{part}"] for part in ("share", "low", "high"))
    return f"{row[name]} of {row[told]}\n{_percent(share)} ({100 * low:.0f} to {_percent(high)})"


def _leak_note(definitions: Definitions) -> str:
    after, watched = definitions.readiness, 100 * definitions.drain.watched_share
    return (
        f"Leak back: above the greater of the rule's limit and {after.return_above:g} mL/min for "
        f"{after.return_least:g} min in the {after.return_within:g} h after ready: drains in which it was "
        "seen, of those watched at all then; below, the share of all ready by Kaplan-Meier (a tube taken out "
        "counts as watched until then), in brackets 95 %. Bounds, of all ready: those neither seen to come "
        f"back nor watched for {watched:g} % of those minutes, mostly because the tube was out, all as no "
        "and all as yes."
    )


def _back(row: dict[str, Any]) -> str:
    watched = (row["watched_fully"] or 0) + (row["watched_partly"] or 0)
    if not watched:
        return "none told"
    share, low, high = (row[f"leak_back_{part}"] for part in ("share", "low", "high"))
    seen = f"{row['leak_back']} of {watched}"
    if share is None:
        return f"{seen}\nnot reached"
    return f"{seen}\n{_percent(share)} ({100 * low:.0f} to {_percent(high)})"


def _spread(row: dict[str, Any]) -> str:
    low, middle, high = (row[f"hours_to_removal_{part}"] for part in ("p25", "median", "p75"))
    return "–" if middle is None else f"{_hours(middle)}\n({low:.0f} to {_hours(high)})"


def _hours(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f} h"


def _percent(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.0f} %"
