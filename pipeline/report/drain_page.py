"""One drain's page: what it is, what happened, its whole course as a strip, and the numbers behind it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.drain_bands import Band, bands
from pipeline.report.drain_clock import SiteClock, clock_of
from pipeline.report.drain_heading import heading, lead, title
from pipeline.report.drain_levels import MOST_DRAWN, levels
from pipeline.report.drain_packed import Columns, packed_levels, packed_minutes
from pipeline.report.drain_record import DrainRecord, read_record
from pipeline.report.drain_strip import WIDTH, strip_chart
from pipeline.report.drain_summary import in_short, summary
from pipeline.report.drain_tables import sections_of
from pipeline.report.drain_words import BASES, STATES, VERDICTS, listed
from pipeline.report.figure import drawn
from pipeline.report.flag_rows import ROWS
from pipeline.report.look import themed
from pipeline.report.page import Section, page
from pipeline.report.strip import strip
from pipeline.report.templates import render, text

NAME = "strip"


def drain_page(
    ask: Ask,
    drain_id: str,
    *,
    up: tuple[str, str] | None = None,
    zone: str | None = None,
    annotations: pl.DataFrame | None = None,
) -> str:
    """
    Write the page of one drain.

    Parameters
    ----------
    ask
        Answers SELECTs on the published database, its view `minute` among them.
    drain_id
        In full.
    up
        Words and relative address of the page above.
    zone
        IANA name of the site's time zone; without it times stand by the minutes' own offsets.
    annotations
        `started_at`, `ended_at`, `kind` of what staff noted about the drain, without its text.

    Returns
    -------
    HTML, one file; the same for the same database.

    Raises
    ------
    CallError
        When there is no such drain.
    """
    record = read_record(ask, drain_id, annotations)
    clock = clock_of(zone, record.minutes, _instants(record))
    sections = [
        Section("happened", "What happened", heading(record, clock) + _sentences(summary(record, clock))),
        Section("course", "The course", _course(record, clock), not_so=_NOT_SO),
        *sections_of(record, clock),
    ]
    return page(
        title(record),
        lead(record, clock),
        sections,
        up=up,
        made_from=[
            f"Made from the published ledger by drainledger {record.made['code_version']}, "
            f"definitions {record.made['settings_digest'][:12]}. Times are those of {clock.name}.",
        ],
        script=text("drain.js") if record.minutes["seen"].any() else "",
    )


_READ = {
    "air leak": "air_leak_ml_min",
    "pressure": "pressure_mean_cmh2o",
    "fluid": "output_ml",
    "tilt": "tilt_deg",
}
_NOT_SO = (
    "A band says what the log shows, by rule; it is no diagnosis. A pressure that does not swing can be a "
    "blocked tube, and also a lung that is up and sealed. Where the strip is blank nothing was logged or "
    "read: nothing is known there."
)


def _sentences(said: list[str]) -> Markup:
    return render("drain_summary.html.j2", sentences=said)


def _course(record: DrainRecord, clock: SiteClock) -> Markup:
    if not record.minutes["seen"].any():
        why = record.unreadable or "No log of this drain was found, so there is no course to draw."
        return render("drain_missing.html.j2", why=why)
    begin, end = _ends(record)
    told = bands(record, clock, begin, end)
    lanes = list(dict.fromkeys(band.lane for band in told))
    fineness = levels(record.minutes)
    chart = strip_chart(
        begin,
        end,
        clock,
        lanes,
        leak_most=_most(record.minutes, "air_leak_ml_min"),
        swing_most=_most(record.minutes, "swing_cmh2o"),
    )
    data = _data(record, clock, begin, end, told, fineness)
    alt = f"Strip of the whole course. {in_short(record, clock)}"
    return render(
        "drain_strip.html.j2",
        name=NAME,
        alt=alt,
        spec=_in_page(_described(themed(chart).to_dict(), alt)),
        drawing=_drawn(record),
        data=_in_page(data),
        zone=clock.name,
        days=[band for band in told if band.lane == "day"],
        last=record.minutes.filter("seen").height - 1,
        traced=record.minutes["swing_cmh2o"].null_count() < record.minutes.height,
        unread=listed([name for name, column in _READ.items() if _most(record.minutes, column) is None]),
    )


def _described(spec: dict[str, Any], alt: str) -> dict[str, Any]:
    # The library labels a picture anew when it draws it, by this. Words on each mark would be for nobody.
    return spec | {"description": alt, "config": spec["config"] | {"aria": False}}


def _drawn(record: DrainRecord) -> Markup:
    """The whole course drawn beforehand, for where no scripts run."""
    minutes = record.minutes.with_columns(observed=pl.col("seen"))
    whole = strip(minutes, record.periods, record.alerts, record.canisters, width=WIDTH)
    spec = themed(whole).to_dict()
    return drawn(spec | {"config": spec["config"] | {"aria": False}}, NAME)


def _ends(record: DrainRecord) -> tuple[datetime, datetime]:
    """The whole course: from tube in to out where that is known, else from the first minute to the last."""
    minutes, periods = record.minutes["minute"], record.periods
    begins = [minutes[0], *periods["started_at"]]
    return min(begins), max([minutes[-1] + timedelta(minutes=1), *periods["ended_at"]])


def _most(minutes: pl.DataFrame, column: str) -> float | None:
    found = minutes[column].drop_nulls()
    return float(found.to_numpy().max()) if found.len() else None


def _data(
    record: DrainRecord,
    clock: SiteClock,
    begin: datetime,
    end: datetime,
    told: list[Band],
    fineness: Mapping[int, pl.DataFrame],
) -> dict[str, Any]:
    columns = Columns()
    return {
        "first": _ms(record.minutes["minute"][0]),
        "begin": _ms(begin),
        "end": _ms(end),
        "wide": WIDTH,
        "most": MOST_DRAWN,
        "shifts": [[_ms(at), minutes] for at, minutes in clock.shifts],
        "zone": clock.name,
        "levels": packed_levels(fineness, columns),
        "minutes": packed_minutes(record.minutes, columns),
        "columns": columns.written,
        "bands": [
            [b.lane, _ms(b.start), _ms(b.end), b.colour, b.label, b.grade, b.detail, int(b.moment)]
            for b in told
        ],
        "periods": [[_ms(a), _ms(b)] for a, b in record.periods.select("started_at", "ended_at").iter_rows()],
        "words": {
            "state": STATES,
            "tidaling": VERDICTS,
            "basis": BASES,
            "flags": {kind.value: said for kind, said in ROWS.items()},
        },
    }


def _instants(record: DrainRecord) -> list[datetime]:
    drain = [
        record.drain[name]
        for name in ("tube_in_at", "tube_out_at", "procedure_end_at", "started_at", "ended_at")
    ]
    tables = [
        frame[column].drop_nulls().to_list()
        for frame, names in (
            (record.periods, ("started_at", "ended_at")),
            (record.alerts, ("started_at", "ended_at")),
            (record.canisters, ("fitted_at", "removed_at")),
            (record.uses, ("from_at", "until_at")),
            (record.annotations, ("started_at", "ended_at")),
        )
        for column in names
    ]
    return [at for at in [*drain, *(at for column in tables for at in column)] if at is not None]


def _in_page(data: Any) -> Markup:
    # Within a script element only "<" could end it or begin a comment.
    written = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    return Markup(written.replace("<", "\\u003c"))  # noqa: S704


def _ms(instant: datetime) -> int:
    return round(instant.timestamp() * 1000)
