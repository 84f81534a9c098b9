"""The head of a drain's page: what the drain is, when it was in, and what became of it."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from markupsafe import Markup

from pipeline.report.drain_clock import SiteClock
from pipeline.report.drain_record import DrainRecord
from pipeline.report.drain_words import OUTCOMES, REASONS, REMOVALS, long
from pipeline.report.templates import render

_UNKNOWN = "not known"
_SHORT = 6  # signs of a pseudonym that tell drains apart in a heading


def title(record: DrainRecord) -> str:
    """Heading of the page."""
    return f"Drain {str(record.drain['drain_id'])[:_SHORT]}…"


def lead(record: DrainRecord, clock: SiteClock) -> str:
    """One sentence: whose kind of drain, where, when."""
    drain = record.drain
    where = ", ".join(str(part) for part in (drain["unit"], drain["site"]) if part)
    what = drain["procedure"] or "procedure not known"
    side = f", {drain['side']} side" if drain["side"] else ""
    first = drain["tube_in_at"] or drain["started_at"]
    last = drain["tube_out_at"] or drain["ended_at"]
    when = "" if first is None else f", from {clock.said(first)}"
    until = "" if last is None else f" to {clock.said(last)}"
    return f"{where}: {what}{side}{when}{until} ({clock.name})."


def heading(record: DrainRecord, clock: SiteClock) -> Markup:
    """What is known of the drain, item by item; what is not is said to be unknown."""
    drain = record.drain

    def at(name: str) -> str:
        instant = drain[name]
        return _UNKNOWN if not isinstance(instant, datetime) else clock.said(instant)

    reason = REASONS.get(drain["prolonged_leak_reason"] or "", "")
    share = drain["completeness"]
    missing = (
        ""
        if drain["minutes_expected"] is None
        else f"{drain['minutes_observed']:,} of {drain['minutes_expected']:,} minutes"
    )
    removal = drain["removal_reason"]
    items: list[tuple[str, str, str]] = [
        ("pseudonym", str(drain["drain_id"]), "made by the ledger; not a hospital number"),
        ("ward and site", f"{drain['unit'] or 'ward not known'}, {drain['site']}", ""),
        ("procedure", drain["procedure"] or _UNKNOWN, "" if drain["linked"] else _UNLINKED),
        ("side", drain["side"] or _UNKNOWN, ""),
        ("tube", _UNKNOWN if drain["tube_french"] is None else f"{drain['tube_french']:g} Ch", ""),
        ("end of procedure", at("procedure_end_at"), ""),
        ("tube in", at("tube_in_at"), ""),
        ("tube out", at("tube_out_at"), REMOVALS.get(removal, removal) if removal else "reason not known"),
        ("first minute logged", at("started_at"), ""),
        ("last minute logged", at("ended_at"), ""),
        ("device uses", f"{drain['uses']}", _SHARED if drain["shared_use"] else ""),
        ("held by the log", _UNKNOWN if share is None else _percent(share), missing),
        ("suction ran", _hours(drain["run_hours"]), ""),
        ("prolonged air leak", OUTCOMES[drain["prolonged_leak"]], reason),
    ]
    return render("drain_heading.html.j2", items=[{"what": w, "is_": i, "of": o} for w, i, o in items])


_UNLINKED = "no registry tells of this drain: one use of a device stands for it"
_SHARED = "a use is shared with another tube of the patient: leak and fluid are of both"


def _percent(share: float) -> str:
    # Never 100 % while a minute is missing.
    return "100\u00a0%" if share >= 1 else f"{min(share, 0.999):.1%}".replace("%", "\u00a0%")


def _hours(hours: Any) -> str:
    return _UNKNOWN if hours is None else long(60 * hours)
