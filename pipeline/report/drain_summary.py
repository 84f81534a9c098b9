"""What happened over a drain's course, in plain words made from its findings; what is unknown is said too."""

from __future__ import annotations

import re
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.report.drain_clock import SiteClock
from pipeline.report.drain_record import DrainRecord, clock_steps
from pipeline.report.drain_words import NOTES, OUTCOMES, REASONS, STRETCHES, counted, listed, long
from schemas.vocabulary import Grade, PeriodKind

_MEANS: dict[str, str] = {
    Grade.ANNOTATED: ", as noted by staff",
    Grade.UNRESOLVED: ", or a large leak of the lung",
}
_CLAMP_ALIKE = "A clamp that was left shut and that nobody noted looks the same."
_WHOLE = 0.9995  # a share that would be shown as 100 %


def summary(record: DrainRecord, clock: SiteClock) -> list[str]:
    """
    The course in sentences, the most important first.

    Each says what was found, or that it cannot be told and why; nothing rests on more than the drain's row
    and its periods.
    """
    said = [_watched(record, clock)]
    if record.drain["started_at"] is None:
        return said
    told = [
        _leak(record, clock),
        _outcome(record.drain),
        _breathing(record.drain),
        _blocked(record, clock),
        *_stretches(record, clock),
        _handled(record.drain),
        _fluid(record),
        _rang(record.drain),
        _noted(record),
        _clock_moved(record),
    ]
    return [*said, *(sentence for sentence in told if sentence)]


def in_short(record: DrainRecord, clock: SiteClock) -> str:
    """One or two sentences for somebody who cannot see the strip: leak, suspicion, handling, holes."""
    if record.drain["started_at"] is None:
        return _watched(record, clock)
    tilted = record.drain["tilted_minutes"]
    parts = [
        _leak(record, clock).rstrip("."),
        _tilt(tilted),
        _blocked(record, clock).rstrip("."),
        *(sentence.rstrip(".") for sentence in _stretches(record, clock)),
    ]
    first = "; ".join(_lower(part) for part in parts if part)
    return f"{first[:1].upper()}{first[1:]}. {_watched(record, clock)}"


def day_of(record: DrainRecord, clock: SiteClock, instant: datetime) -> str:
    """`day 3 (Thu 13 Mar, 04:12)`, counted from the local day of the origin."""
    wall, origin = clock.wall(instant), record.drain["origin_day"]
    number = "" if origin is None else f"day {(wall.date() - origin).days} "
    told = f"{wall:%a %d %b, %H:%M}"
    return f"{number}({told})" if number else told


def _watched(record: DrainRecord, clock: SiteClock) -> str:
    drain = record.drain
    first, last, share = drain["started_at"], drain["ended_at"], drain["completeness"]
    if first is None:
        return "No log of this drain was found: nothing is known of its course."
    missing = (
        None if drain["minutes_expected"] is None else drain["minutes_expected"] - drain["minutes_observed"]
    )
    over = f"The log runs from {day_of(record, clock, first)} to {day_of(record, clock, last)}"
    if share is None or missing is None:
        return f"{over}; how much of the course it holds is not known."
    late = drain["entered_hours"]
    begins = f", and begins {long(60 * late)} after the origin" if late is not None and late >= 1 else ""
    if share >= _WHOLE and missing <= 0:
        return f"{over} without a hole{begins}."
    held = f"{min(share, 0.999):.1%}".replace("%", "\u00a0%")
    are = "is" if missing == 1 else "are"
    return f"{over} and holds {held} of the course: {long(missing)} {are} missing{begins}."


def _leak(record: DrainRecord, clock: SiteClock) -> str:
    drain = record.drain
    on = record.periods.filter(pl.col("kind") == PeriodKind.LEAK.value).height
    again = drain["leak_recurrences"]
    came_back = f"; it had come back {_times(again)}" if again else ""
    earliest, latest = drain["leak_end_earliest_at"], drain["leak_end_latest_at"]
    if drain["leak_ongoing_at_end"] is None:
        return "Whether the lung leaked cannot be told: no minute could be assessed for it."
    if drain["leak_ongoing_at_end"]:
        seen = "" if earliest is None else f", {day_of(record, clock, earliest)}"
        return f"The leak was still on when it could last be told{seen}{came_back}."
    if drain["leak_ended_at"] is not None:
        after = "" if drain["leak_hours"] is None else f", {long(60 * drain['leak_hours'])} after the origin"
        if earliest is not None and latest is not None and earliest < latest:
            return (
                f"The leak stopped between {day_of(record, clock, earliest)} and "
                f"{day_of(record, clock, latest)}: no minute between can tell{came_back}."
            )
        return f"The leak stopped on {day_of(record, clock, drain['leak_ended_at'])}{after}{came_back}."
    if on or earliest is not None:
        seen = "" if earliest is None else f" after {day_of(record, clock, earliest)}"
        return f"The leak was not seen{seen}, but too little came after to be sure it had ended{came_back}."
    if drain["leak_hours"] is None:
        return "No leak was seen, but the log begins late: whether one had ended before is not known."
    return "No lasting leak was seen."


def _outcome(drain: Any) -> str:
    reason = REASONS.get(drain["prolonged_leak_reason"] or "", "")
    said = OUTCOMES[drain["prolonged_leak"]]
    return f"Prolonged air leak: {said}" + (f" ({reason})." if reason else ".")


def _breathing(drain: Any) -> str:
    minutes = {
        "was seen for": drain["tidaling_present_minutes"],
        "was found absent for": drain["tidaling_absent_minutes"],
        "could not be decided for": drain["tidaling_indeterminate_minutes"],
        "could not be assessed for": drain["tidaling_not_assessable_minutes"],
    }
    known = [f"{what} {long(m)}" for what, m in minutes.items() if m]
    if not known:
        return "Nothing is known of tidaling."
    swing = drain["tidal_swing_median_cmh2o"]
    size = "" if swing is None else f" The middle swing was {swing:.1f} cm[H2O]."
    return f"Tidaling {listed(known)}.{size}"


def _blocked(record: DrainRecord, clock: SiteClock) -> str:
    found = record.periods.filter(pl.col("kind") == PeriodKind.OCCLUSION_SUSPECTED.value)
    if found.height:
        told = [
            f"{_graded(row['grade'])}, {day_of(record, clock, row['started_at'])}, "
            f"{long(row['minutes'])}{', released' if 'released' in (row['detail'] or '') else ''}"
            f"{_against_log(row['detail'])}"
            for row in found.head(3).iter_rows(named=True)
        ]
        more = f"; {found.height - 3} more" if found.height > 3 else ""
        one, several = STRETCHES[PeriodKind.OCCLUSION_SUSPECTED]
        said = f"{counted(found.height, one, several).capitalize()}: {'; '.join(told)}{more}."
        by_log = found["grade"].ne_missing(Grade.ANNOTATED.value).any()
        return f"{said} {_CLAMP_ALIKE}" if by_log else said
    if record.drain["occlusion_minutes"] is None:
        return "Whether the tube was blocked cannot be told: tidaling could never be assessed."
    untold = sum(
        record.drain[f"tidaling_{verdict}_minutes"] or 0 for verdict in ("indeterminate", "not_assessable")
    )
    if 2 * untold > record.drain["minutes_observed"]:
        return (
            f"No occlusion was suspected, but for {long(untold)} of the course tidaling could not be told, "
            "so one need not have shown."
        )
    return "No occlusion was suspected."


def _graded(grade: str | None) -> str:
    return "noted by staff" if grade == Grade.ANNOTATED else f"graded {grade or 'not at all'}"


def _against_log(detail: str | None) -> str:
    """What the log says to a note that it contradicts, in the words of the period."""
    found = re.search(r"the log shows flow in \d+ of \d+ min", detail or "")
    return f", though {found[0]}" if found else ""


def _stretches(record: DrainRecord, clock: SiteClock) -> list[str]:
    said = []
    for kind, (one, several) in STRETCHES.items():
        found = record.periods.filter(pl.col("kind") == kind.value)
        if kind is PeriodKind.FLOW_STOPPED:
            found = _apart(found, record.periods)
        if kind is PeriodKind.OCCLUSION_SUSPECTED or found.is_empty():
            continue
        row = found.row(0, named=True)
        grade = _MEANS.get(row["grade"] or "", "")
        told = (
            f"{day_of(record, clock, row['started_at'])}, {long(row['minutes'])}{grade}"
            f"{_against_log(row['detail'])}"
            if found.height == 1
            else f"{long(int(found['minutes'].sum()))} in all"
        )
        said.append(f"{counted(found.height, one, several).capitalize()}: {told}.")
    return said


def _apart(stops: pl.DataFrame, periods: pl.DataFrame) -> pl.DataFrame:
    """Those that no suspicion of a blocked tube speaks of: what happened once is told once."""
    suspected = periods.filter(pl.col("kind") == PeriodKind.OCCLUSION_SUSPECTED.value)
    spans = suspected.select("started_at", "ended_at").rows()
    told = [
        any(begin < end_ and begin_ < end for begin_, end_ in spans)
        for begin, end in stops.select("started_at", "ended_at").iter_rows()
    ]
    return stops.filter(~pl.Series(told, dtype=pl.Boolean))


def _handled(drain: Any) -> str:
    paused = drain["pause_hours"]
    pause = (
        "whether it was paused is not known"
        if paused is None
        else f"paused {long(60 * paused)}"
        if paused
        else "never paused"
    )
    told = f"{_tilt(drain['tilted_minutes'])}; {pause}."
    return told[:1].upper() + told[1:]


def _tilt(minutes: int | None) -> str:
    if minutes is None:
        return "whether it was tilted is not known: tilt was never read"
    return f"tilted {long(minutes)}" if minutes else "never seen tilted"


def _fluid(record: DrainRecord) -> str:
    output, first = record.drain["output_ml"], record.drain["output_first_24h_ml"]
    total = (
        "The fluid's total is not known"
        if output is None
        else f"{output:,.0f} mL of fluid {_reaching(record.drain)}"
    )
    day = "" if first is None else f"; {first:,.0f} mL in the first 24 h"
    return f"{total}{day}; {_canisters(record)}."


def _reaching(drain: Any) -> str:
    """A total is one of the log: what came between its last minute and tube out nobody read."""
    out, last = drain["tube_out_at"], drain["ended_at"]
    if out is None:
        return "until the log ends"
    left = (out - last).total_seconds() / 60
    return "in all" if left <= 1 else f"until the log ends, {long(left)} before tube out"


def _canisters(record: DrainRecord) -> str:
    changes, fitted, uses = record.drain["canister_changes"], record.canisters.height, record.uses.height
    if changes is None:
        return "canister changes are not known"
    changed = counted(changes, "canister change", "canister changes")
    if not record.canisters["device_changed"].any():
        return changed
    devices = "devices" if record.uses["device"].n_unique() == uses else "device uses"
    each = (
        "a canister each; none changed"
        if fitted == uses and not changes
        else f"{counted(fitted, 'canister', 'canisters')} in all; {changed}"
    )
    return f"{counted(uses, 'device', devices)}, {each}"


def _rang(drain: Any) -> str:
    if drain["alert_count"] is None:
        return "Whether alerts rang is not known: the log does not say."
    return f"{counted(drain['alert_count'], 'alert', 'alerts').capitalize()} rang."


def _noted(record: DrainRecord) -> str:
    kinds = [NOTES.get(kind, kind) for kind in record.annotations["kind"]]
    return f"Staff noted: {listed(list(dict.fromkeys(kinds)))}." if kinds else ""


def _clock_moved(record: DrainRecord) -> str:
    steps = clock_steps(record.minutes).height
    if not steps:
        return ""
    return (
        f"The log jumps in time {_times(steps)}, because the device was off or its clock was moved: lengths "
        "of time across such a place are uncertain."
    )


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number} times")


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
