"""How outcomes by group are printed."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from flows.research.outcomes import Compared
from flows.show.plain import plain
from flows.show.results import show_json

_MOST_NAMES = 8  # of groups on a line
NOTES = (
    "Rate: prolonged of evaluable, 95 % (Wilson); bounds: all unknown as no, and as yes. Median and mean: of "
    "the leak's duration (Kaplan-Meier; mean restricted to 7 days), 95 %. Counted: operations, or drains "
    "where patients are not known.",
    "Nothing is adjusted: groups differ in more than their name. Looks back at finished therapy and decides "
    "nothing at the bedside.",
)


def show_outcomes(found: Compared, *, as_json: bool) -> None:
    """Print rate and duration of each group and the log-rank test between them."""
    test = found.test.row(0, named=True)
    if as_json:
        facts = {"definition": found.definition, "strata": found.strata.to_dicts(), "log_rank": test}
        show_json(facts | {"hidden_of_log_rank": list(found.hidden)})
        return
    console = Console(width=100, highlight=False)
    console.print(f"Definition: {found.definition}; groups by {test['grouped_by']}")
    table = Table(box=None, pad_edge=False, show_edge=False, header_style="bold")
    for name in ("group", "counted", "unknown", "prolonged", "bounds", "median leak", "mean to 7 days"):
        table.add_column(name, justify="left" if name == "group" else "right", no_wrap=name != "group")
    for row in found.strata.iter_rows(named=True):
        table.add_row(*_cells(row))
    console.print(table)
    groups = found.strata.filter(grouped_by=test["grouped_by"]).to_dicts()
    for line in _log_rank(test, groups, told="p_value" not in found.hidden):
        console.print(line, markup=False)
    for note in NOTES:
        console.print(note)


def _log_rank(test: dict[str, Any], groups: list[dict[str, Any]], *, told: bool) -> list[str]:
    """
    The test, the groups it takes, and those it leaves out with the reason.

    A group whose number watched is not told, for it is small, is not named on either side.
    """
    taken = [row["stratum"] for row in groups if row["stratum"] is not None and row["watched"]]
    unnamed = " and what is too small to show" if 0 < len(taken) < test["groups"] else ""
    names = f" ({_some(taken)}{unnamed})" if taken else ""
    if not told:
        lines = [
            f"Log-rank of {test['groups']} groups{names}: not told, for it would tell of a group that is too "
            "small to show."
        ]
    elif test["p_value"] is None:
        held = (
            f"{test['groups']} group{'' if test['groups'] == 1 else 's'}{names} with a leak that was watched"
        )
        lines = [f"Log-rank: nothing to compare; there {'is' if test['groups'] == 1 else 'are'} {held}."]
    else:
        lines = [
            f"Log-rank of {test['groups']} groups{names}: chi-square {test['chi_square']:.2f}, "
            f"{test['degrees']} degrees of freedom, p = {test['p_value']:.3g}."
        ]
    unwatched = [row["stratum"] for row in groups if row["stratum"] is not None and row["watched"] == 0]
    out = []
    if any(row["stratum"] is None for row in groups):
        out.append("not recorded, for that is no group")
    if unwatched:
        out.append(f"{_some(unwatched)}, for nobody's leak was watched there")
    return lines + ([f"Left out of the test: {'; '.join(out)}."] if out else [])


def _some(names: list[str]) -> str:
    shown = ", ".join(plain(name) for name in names[:_MOST_NAMES])
    return f"{shown} and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else shown


def _cells(row: dict[str, Any]) -> list[str]:
    name = escape(plain(row["stratum"] or "not recorded"))
    if row["counted"] is None:
        return [name, "too few to show", *[""] * 5]
    rate = "too few" if row["evaluable"] is None else "none told"
    if row["rate"] is not None:
        share, low, high = (100 * row[name] for name in ("rate", "rate_low", "rate_high"))
        rate = f"{row['prolonged']} of {row['evaluable']}\n{share:.1f} % ({low:.1f} to {high:.1f})"
    no, yes = row["rate_if_unknown_no"], row["rate_if_unknown_yes"]
    bounds = "" if no is None else f"{100 * no:.1f} to\n{100 * yes:.1f} %"
    return [
        name,
        str(row["counted"]),
        "" if row["unknown"] is None else str(row["unknown"]),
        rate,
        bounds,
        _hours(row, "median"),
        _hours(row, "mean"),
    ]


def _hours(row: dict[str, Any], what: str) -> str:
    value, low, high = (row[f"{what}_{part}hours"] for part in ("", "low_", "high_"))
    if value is None:
        return "too few" if row["watched"] is None else "not reached"
    ends = ("?" if end is None else f"{end:.0f}" for end in (low, high))
    return f"{value:.0f} h\n({' to '.join(ends)})"
