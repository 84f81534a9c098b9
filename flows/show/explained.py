"""How an explanation is printed: tables for people, JSON for scripts."""

from __future__ import annotations

import sys
from datetime import datetime
from typing import Any

from rich.console import Console
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table

from flows.looking.explain import MinuteOfDrain, inside_leak, period_line, period_of
from flows.show.results import show_json
from pipeline.explain import Answer, Clause, FlagAnswer, Way
from pipeline.explain.answer import Value
from pipeline.store import Home
from schemas.vocabulary import PeriodKind

_WIDTH = 100
_STYLE = {Answer.HOLDS: "green", Answer.NOT_MET: "dim", Answer.UNKNOWN: "yellow"}
_FOLDED = {Answer.HOLDS: "yes", Answer.NOT_MET: "no", Answer.UNKNOWN: "unknown"}
_COLUMNS = (8, 36, 23, 25)  # answer, what, value, what is asked of it
_SAYS = {Answer.HOLDS: "IN FORCE", Answer.NOT_MET: "not in force", Answer.UNKNOWN: "not in force: unknown"}
_UNITS = {
    "_cmh2o": "cm[H2O]",
    "_ml_min": "mL/min",
    "_ml": "mL",
    "_deg": "deg",
    "_pct": "%",
    "_per_min": "/min",
}
CAUTION = (
    "This looks back at finished therapy, for audit, teaching and research: it is no monitor and no advice "
    "for a bedside. Missing tidaling has several causes, a lung that is up and sealed among them, and a "
    "drain that still leaks is never clamped on the strength of it. Who is licensed to treat the patient "
    "decides, by local protocol."
)


def show_explained(minute: MinuteOfDrain, home: Home, *, as_json: bool) -> None:
    """Print one minute of a drain with everything its flags rest on."""
    if as_json:
        show_json(_facts(minute, home))
        return
    console = Console(width=_WIDTH, file=sys.stdout, highlight=False)
    head(console, minute)
    if minute.explained is None:
        console.print(
            "\nNo device served the drain at this minute: there is nothing to read. no_data IN FORCE"
        )
    else:
        _sources(console, minute, home)
        _readings(console, minute)
        _trace(console, minute)
        flags = sorted(minute.explained.flags, key=lambda flag: not flag.in_force)
        for flag in flags:
            _flag(console, flag, minute)
    for kind in dict.fromkeys(minute.periods["kind"]):
        if minute.explained is None:
            _period(console, minute, kind)
    console.print("\nLimits are those of shared/definitions.toml; --json names the figure of each.")
    console.print(f"\n{CAUTION}", style="italic")


def head(console: Console, minute: MinuteOfDrain) -> None:
    """Which drain, ward, minute and device this is about, and what staff noted then."""
    drain, when = minute.drain, minute.when
    ward = f", {drain['unit']}" if drain["unit"] else ""
    console.print(f"[bold]Drain {drain['drain_id']}[/]  {escape(str(drain['site']))}{escape(ward)}")
    console.print(f"Minute {when.told} ({when.zone}), {_utc(when.minute)}")
    if when.remark:
        console.print(f"  {when.remark}")
    if minute.use is not None:
        use = minute.use
        console.print(f"Device {use['device']}, session {use['session']} (use {use['use_id']})")
    if minute.explained is not None:
        for note in minute.explained.annotations:
            console.print(f"[bold]Annotation[/], not from the log: {escape(note['detail'])}")


def _sources(console: Console, minute: MinuteOfDrain, home: Home) -> None:
    if minute.sources.is_empty():
        console.print("\nNo line of any export has this minute.")
        return
    console.print("\n[bold]Lines of exports[/]")
    for row in minute.sources.iter_rows(named=True):
        record = "no record" if row["record"] is None else f"record {row['record']}"
        console.print(
            f"  {row['role']:8} file {row['file_sha256'][:12]} line {row['line']}, {record}, clock "
            f"{row['clock']:%Y-%m-%d %H:%M} ({row['timezone']}), exported {_utc(row['exported_at'])}"
        )
        for name in row["differs"] if row["role"] == "differs" else ():
            console.print(f"           says {name} = {_text(_plain(row[name]))}")
        if row["role"] == "hidden":
            console.print("           another row of the same minute: the clock was set back")
        if row["role"] == "stands" and row["blanks"]:
            console.print(f"           blank there, from an older export: {', '.join(row['blanks'])}")
    first = minute.sources["file_sha256"][0]
    console.print(f"  (raw file: {home.raw.address(first)})", soft_wrap=True)


def _readings(console: Console, minute: MinuteOfDrain) -> None:
    assert minute.explained is not None
    console.print("\n[bold]As read, and what was made of it[/]")
    table = Table.grid(padding=(0, 2))
    cells = [(name, with_unit(name, value)) for name, value in minute.explained.readings.items()]
    half = (len(cells) + 1) // 2
    for left, right in zip(cells[:half], [*cells[half:], ("", "")], strict=False):
        table.add_row(left[0], escape(left[1]), right[0], escape(right[1]))
    console.print(Padding(table, (0, 0, 0, 2)))


def _trace(console: Console, minute: MinuteOfDrain) -> None:
    assert minute.explained is not None
    trace = minute.explained.trace
    console.print("\n[bold]Pressure trace[/]")
    if trace is None:
        console.print("  no trace in this use up to here: only the minutes' min and max can show breathing")
        return
    shows = trace.shows
    own = "of this minute" if trace.minutes_before == 0 else f"the last, {trace.minutes_before} min before"
    swing = "swing unknown"
    if shows["swing_cmh2o"] is not None or shows["swing_high_cmh2o"] is not None:
        swing = (
            f"swing {_text(shows['swing_cmh2o'])} cm[H2O] "
            f"(95 % {_text(shows['swing_low_cmh2o'])} to {_text(shows['swing_high_cmh2o'])})"
        )
    console.print(
        f"  {own}: {shows['verdict']}; {swing}; rate {_text(shows['breath_rate_per_min'])} /min "
        f"(breathing slower than {_text(shows['lowest_rate_per_min'])} /min could not have shown)"
    )
    console.print(
        f"  artefact: {shows['artefact_kind']}, share of samples {_text(shows['artefact_fraction'])}"
    )


def _flag(console: Console, flag: FlagAnswer, minute: MinuteOfDrain) -> None:
    grade = f", grade {flag.grade}" if flag.in_force and flag.grade else ""
    style = "bold green" if flag.in_force else "bold"
    console.print(f"\n[{style}]{flag.kind}[/]  {_SAYS[flag.answer]}{grade}")
    between = inside_leak(flag, minute)
    if between is not None:
        console.print(f"  {between}")
    else:
        _period(console, minute, flag.kind)
    for place, way in enumerate(flag.ways):
        _way(console, way, "or: " if place else "")
    for way in flag.beside:
        _way(console, way, "beside it: ")


def _way(console: Console, way: Way, before: str) -> None:
    console.print(f"  {before}{escape(way.says)}: {_FOLDED[way.answer]}", style="italic")
    table = Table(box=None, show_header=False, padding=(0, 1), pad_edge=False, width=_WIDTH - 4)
    for width in _COLUMNS:
        table.add_column(width=width, overflow="fold")
    for clause in way.clauses:
        style = _STYLE[clause.answer]
        table.add_row(
            f"[{style}]{clause.answer.value}[/]",
            escape(clause.says),
            escape(value_text(clause.value, clause.unit)),
            escape(asked(clause)),
        )
    console.print(Padding(table, (0, 0, 0, 4)))


def asked(clause: Clause) -> str:
    """What is asked of a clause, empty where it is a yes or no."""
    if not clause.compare:
        return ""
    return f"{clause.compare} {value_text(clause.limit, clause.unit)}"


def _period(console: Console, minute: MinuteOfDrain, kind: PeriodKind | str) -> None:
    period = period_of(minute, kind)
    if period is None:
        return
    console.print(f"  period {period_line(minute, period)}")
    if period["detail"]:
        console.print(f"  {escape(str(period['detail']))}")


def _facts(minute: MinuteOfDrain, home: Home) -> dict[str, Any]:
    explained, use = minute.explained, minute.use
    return {
        "drain_id": minute.drain["drain_id"],
        "site": minute.drain["site"],
        "unit": minute.drain["unit"],
        "minute": minute.when.minute,
        "minute_local": minute.when.told,
        "timezone": minute.when.zone,
        "time_remark": minute.when.remark or None,
        "use_id": None if use is None else use["use_id"],
        "device": None if use is None else use["device"],
        "session": None if use is None else use["session"],
        "lines": [
            {
                **{
                    name: row[name]
                    for name in ("role", "file_sha256", "line", "record", "clock", "timezone", "exported_at")
                },
                "differs": {name: row[name] for name in row["differs"] or ()},
                "blanks": row["blanks"],
                "raw_file": home.raw.address(row["file_sha256"]),
            }
            for row in minute.sources.iter_rows(named=True)
        ],
        "readings": None if explained is None else explained.readings,
        "trace": None
        if explained is None or explained.trace is None
        else {
            "minute": explained.trace.minute,
            "minutes_before": explained.trace.minutes_before,
            **explained.trace.shows,
        },
        "annotations": [] if explained is None else list(explained.annotations),
        "flags": [] if explained is None else [_flag_facts(flag, minute) for flag in explained.flags],
        "periods": minute.periods.to_dicts(),
        "caution": CAUTION,
    }


def _flag_facts(flag: FlagAnswer, minute: MinuteOfDrain) -> dict[str, Any]:
    return {
        "kind": str(flag.kind),
        "in_force": flag.in_force,
        "answer": flag.answer.value,
        "grade": flag.grade,
        "period": period_of(minute, flag.kind),
        "remark": inside_leak(flag, minute),
        "ways": [_way_facts(way) for way in flag.ways],
        "beside": [_way_facts(way) for way in flag.beside],
    }


def _way_facts(way: Way) -> dict[str, Any]:
    return {
        "name": way.name,
        "says": way.says,
        "answer": way.answer.value,
        "clauses": [
            {
                "name": clause.name,
                "says": clause.says,
                "answer": clause.answer.value,
                "value": clause.value,
                "compare": clause.compare or None,
                "limit": clause.limit,
                "unit": clause.unit or None,
                "figure": clause.figure or None,
            }
            for clause in way.clauses
        ],
    }


def _utc(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M} UTC"


def _plain(value: Any) -> Value:
    return ", ".join(value) or "none" if isinstance(value, list) else value


def _text(value: Value) -> str:
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{round(value, 3):g}" if isinstance(value, float) else str(value)


def value_text(value: Value, unit: str) -> str:
    """A value with its unit, as people read it."""
    text = _text(value)
    return f"{text} {unit}".rstrip() if value is not None else text


def with_unit(name: str, value: Value) -> str:
    """A reading with the unit its name ends in."""
    unit = next((unit for ending, unit in _UNITS.items() if name.endswith(ending)), "")
    return value_text(value, unit)
