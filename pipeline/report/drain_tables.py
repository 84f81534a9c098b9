"""The numbers behind a drain's strip, as tables: periods, canisters, alerts, days, device uses, changes."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup

from pipeline.report.drain_clock import SiteClock
from pipeline.report.drain_record import DrainRecord
from pipeline.report.drain_words import GRADES, NOTES, RINGS
from pipeline.report.flag_rows import ROWS
from pipeline.report.page import Section
from pipeline.report.table import Col, table

_LOCAL, _UTC = "local time", "UTC"
_ENOUGH = 12  # signs of a pseudonym, for a command: 60 bits tell any number of drains apart


def sections_of(record: DrainRecord, clock: SiteClock) -> list[Section]:
    """Every table of the page, each a section; those that would say nothing are left out."""
    made = [
        Section("periods-told", "Periods", _periods(record, clock)),
        Section("days-told", "Days", _days(record)),
        Section("canisters-told", "Canisters", _canisters(record, clock)),
        Section("alerts-told", "Alerts", _alerts(record, clock)),
        Section("uses-told", "Device uses", _uses(record, clock)),
    ]
    if record.annotations.height:
        made.append(Section("notes-told", "What staff noted", _notes(record, clock)))
    return [*made, Section("changes-told", "What changed", _changes(record))]


def _periods(record: DrainRecord, clock: SiteClock) -> Markup:
    kinds = {kind.value: said for kind, said in ROWS.items()}
    drain = str(record.drain["drain_id"])[:_ENOUGH]
    # Without a log there is no minute that `explain` could take apart.
    logged = record.drain["started_at"] is not None
    asked = [
        f"drainledger explain {drain} {clock.iso(at)}" if logged else None
        for at in record.periods["started_at"]
    ]
    rows = _timed(record.periods, clock, "started_at", "ended_at").with_columns(
        explain=pl.Series(asked, dtype=pl.String)
    )
    return table(
        rows,
        {
            "kind": Col("what", words=kinds),
            "started_at_local": Col(f"from, {_LOCAL}"),
            "ended_at_local": Col(f"until, {_LOCAL}"),
            "minutes": Col("minutes"),
            "grade": Col("grade", null="–", words=GRADES),
            "detail": Col("what supports it", null="–"),
            "started_at": Col(f"from, {_UTC}"),
            "ended_at": Col(f"until, {_UTC}"),
            "explain": Col("why, clause by clause", null="no log"),
        },
        f"Periods: every flagged stretch, in time order; local time is {clock.name}. What supports a stretch "
        "speaks of the whole finding it is a part of, which may have begun long before. A leak's minutes run "
        "from the first in which it was seen on to the last; its hours in the words above run from the "
        "origin (end of the procedure, else tube in, else the first minute), logged or not",
        name="periods",
        empty="No stretch was flagged.",
    )


def _days(record: DrainRecord) -> Markup:
    return table(
        record.days,
        {
            "day": Col("day of the site's calendar"),
            "day_no": Col("day after the procedure"),
            "minutes_observed": Col("minutes logged"),
            "output_ml": Col("fluid, mL", null="not read"),
            "leak_mean_ml_min": Col("leak, mean mL/min", digits=1, null="not assessable"),
            "leak_peak_ml_min": Col("leak, greatest mL/min", digits=1, null="not assessable"),
            "leak_minutes": Col("minutes with leak on", null="not assessable"),
            "tidaling_present_minutes": Col("minutes with tidaling seen", null="not assessable"),
            "tilted_minutes": Col("minutes tilted", null="tilt not read"),
            "pause_minutes": Col("minutes paused"),
            "alert_count": Col("alerts begun", null="the log does not say"),
        },
        "Days of the course",
        name="days",
        empty="No day was logged.",
    )


def _canisters(record: DrainRecord, clock: SiteClock) -> Markup:
    devices = record.uses["device"].n_unique() == record.uses.height
    ended = "the device was changed" if devices else "the use of its device ended"
    rows = _timed(record.canisters, clock, "fitted_at", "until_at").with_columns(
        why=pl.when(pl.col("removed_at").is_not_null())
        .then(pl.lit("the canister was changed"))
        .when("device_changed")
        .then(pl.lit(ended))
        .otherwise(pl.lit("the log ends"))
    )
    return table(
        rows,
        {
            "canister_no": Col("canister"),
            "fitted_at_local": Col(f"from, {_LOCAL}"),
            "until_at_local": Col(f"until, {_LOCAL}", null="to the end"),
            "why": Col("because"),
            "volume_ml": Col("fluid into it, mL"),
            "fitted_at": Col(f"from, {_UTC}"),
            "until_at": Col(f"until, {_UTC}", null="to the end"),
        },
        "Canisters in the order they were fitted",
        name="canisters",
        empty="The volume was never read: nothing is known of canisters.",
    )


def _alerts(record: DrainRecord, clock: SiteClock) -> Markup:
    unsaid = record.drain["alert_count"] is None
    return table(
        _timed(record.alerts, clock, "started_at", "ended_at"),
        {
            "code": Col("alert", words=RINGS),
            "started_at_local": Col(f"from, {_LOCAL}"),
            "ended_at_local": Col(f"until, {_LOCAL}"),
            "minutes": Col("minutes seen ringing"),
            "minutes_to_clear": Col("minutes to clear", null="not known: it rang on at a hole or the end"),
            "started_at": Col(f"from, {_UTC}"),
            "ended_at": Col(f"until, {_UTC}"),
        },
        "Alerts that rang, in time order",
        name="alerts",
        empty="The log does not say whether alerts rang." if unsaid else "No alert rang.",
    )


def _uses(record: DrainRecord, clock: SiteClock) -> Markup:
    return table(
        _timed(record.uses, clock, "from_at", "until_at").with_columns(pl.col("session").cast(pl.String)),
        {
            "device": Col("device"),
            "session": Col("the device's count of uses"),
            "from_at_local": Col(f"from, {_LOCAL}"),
            "until_at_local": Col(f"until, {_LOCAL}"),
            "from_at": Col(f"from, {_UTC}"),
            "until_at": Col(f"until, {_UTC}"),
        },
        "Device uses that served the drain",
        name="uses",
        empty="No log of a device was found for this drain.",
    )


def _notes(record: DrainRecord, clock: SiteClock) -> Markup:
    return table(
        _timed(record.annotations, clock, "started_at", "ended_at"),
        {
            "kind": Col("what", words=NOTES),
            "started_at_local": Col(f"from, {_LOCAL}"),
            "ended_at_local": Col(f"until, {_LOCAL}", null="no end noted"),
            "started_at": Col(f"from, {_UTC}"),
            "ended_at": Col(f"until, {_UTC}", null="no end noted"),
        },
        "What staff noted beside the log; the words of a note stay in the ward",
        name="notes",
    )


def _changes(record: DrainRecord) -> Markup:
    return table(
        record.changes,
        {
            "column": Col("figure of the drain"),
            "before": Col("before", null="none"),
            "after": Col("now", null="none"),
            "cause": Col("because of"),
        },
        "Figures of this drain that the last load moved",
        name="changes",
        empty="The last load moved no figure of this drain.",
    )


def _timed(rows: pl.DataFrame, clock: SiteClock, *instants: str) -> pl.DataFrame:
    """With each instant also as the site's clock showed it."""
    return rows.with_columns(
        pl.Series(
            f"{name}_local",
            [None if at is None else clock.said(at) for at in rows[name]],
            dtype=pl.String,
        )
        for name in instants
    )
