"""An explanation on one screen: what is in force and by what, and what stands against each of the others."""

from __future__ import annotations

import sys

from rich.console import Console
from rich.markup import escape

from flows.looking.explain import MinuteOfDrain, inside_leak, period_line, period_of
from flows.show.explained import CAUTION, asked, head, value_text, with_unit
from pipeline.explain import Answer, Clause, FlagAnswer

_READINGS = (
    "state",
    "set_pressure_cmh2o",
    "pressure_mean_cmh2o",
    "air_leak_ml_min",
    "output_ml",
    "tilt_deg",
    "tidaling",
    "swing_cmh2o",
)


def show_briefly(minute: MinuteOfDrain) -> None:
    """Print one minute of a drain: the flags in force with their grounds, one line for each of the others."""
    # Lines run on: a terminal folds them, and a script that reads line by line finds a flag on each.
    console = Console(width=10_000, file=sys.stdout, highlight=False)
    head(console, minute)
    if minute.explained is None:
        console.print("\nNo device served the drain at this minute: there is nothing to read.")
        console.print(f"\n{CAUTION}", style="italic")
        return
    readings = minute.explained.readings
    said = [f"{name} {with_unit(name, readings[name])}" for name in _READINGS if name in readings]
    console.print(escape("; ".join(said)))
    flags = minute.explained.flags
    console.print("\n[bold]In force[/]")
    for flag in (f for f in flags if f.in_force):
        _in_force(console, flag, minute)
    if not any(flag.in_force for flag in flags):
        console.print("  nothing")
    console.print("\n[bold]Not in force, and the first thing that stands against it[/]")
    for flag in (f for f in flags if not f.in_force):
        between = inside_leak(flag, minute)
        remark = f" ({between})" if between else ""
        console.print(f"  {flag.kind}: {escape(_against(flag) + remark)}")
    console.print("\nWithout --brief: every clause of every flag, and the lines of the files.")
    console.print(f"\n{CAUTION}", style="italic")


def _in_force(console: Console, flag: FlagAnswer, minute: MinuteOfDrain) -> None:
    period = period_of(minute, flag.kind)
    told = period_line(minute, period) if period is not None else "this minute"
    console.print(f"  [bold green]{flag.kind}[/] {escape(told)}")
    ground = next((way for way in flag.ways if way.answer is Answer.HOLDS), None)
    if ground is not None:
        console.print(f"    {escape(ground.says)}:")
        for clause in ground.clauses:
            console.print(f"      - {escape(_clause(clause))}")


def _against(flag: FlagAnswer) -> str:
    """Of the way that comes nearest to holding, what is unknown or not met."""
    if not flag.ways:
        return "nothing to judge it by"
    nearest = max(flag.ways, key=lambda way: sum(c.answer is Answer.HOLDS for c in way.clauses))
    if flag.answer is Answer.UNKNOWN:
        nearest = next(way for way in flag.ways if way.answer is Answer.UNKNOWN)
        unknown = next(clause for clause in nearest.clauses if clause.answer is Answer.UNKNOWN)
        return f"unknown: the log does not tell {unknown.says}"
    return _clause(next(clause for clause in nearest.clauses if clause.answer is Answer.NOT_MET))


def _clause(clause: Clause) -> str:
    limit = asked(clause)
    if not limit:
        return f"{clause.says}: {value_text(clause.value, clause.unit)}"
    found = value_text(clause.value, clause.unit)
    return f"{clause.says}: {found}, asked {limit}"
