"""The page of the cohort: everything a meeting asks of all drains together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.report.ask import Ask
from pipeline.report.delays import ready_to_removed
from pipeline.report.files_held import log_reach
from pipeline.report.handling import handling_by_ward
from pipeline.report.holdings import holdings, in_short
from pipeline.report.leak_course import leak_course
from pipeline.report.page import Section, page
from pipeline.report.quality import data_quality
from pipeline.report.rate_by_month import rates_over_time
from pipeline.report.rate_by_ward import rates_by_ward
from pipeline.report.stay import output_and_stay
from pipeline.report.templates import render
from pipeline.report.words import NO_WARD


def cohort_page(
    ask: Ask,
    drains: pl.DataFrame,
    links: Mapping[str, str],
    *,
    how_chosen: str = "",
    rules: Sequence[str] = (),
) -> str:
    """
    Write the cohort's page from the published database.

    Each section opens with the question it answers and how not to read it. Every figure stands with what it
    is of; what is not known is said to be unknown. The same database gives the same bytes.

    Parameters
    ----------
    ask
        Reads the published database.
    drains
        Drains that have a page of their own: `drain_id`, `site`, `unit`, `started_at`, `minutes_observed`,
        `prolonged_leak`, `why`.
    links
        Drain → relative address of its page.
    how_chosen
        How those drains were chosen.
    rules
        Run rules of the p-chart that somebody asked for; none by default.

    Raises
    ------
    CallError
        When there is no chart rule of that name.
    """
    sections = [
        in_short(ask),
        holdings(ask),
        rates_over_time(ask, rules),
        rates_by_ward(ask),
        leak_course(ask),
        output_and_stay(ask),
        ready_to_removed(ask),
        handling_by_ward(ask),
        data_quality(ask),
        _drains(drains, links, how_chosen),
    ]
    reach = ask(
        "SELECT min(origin_day) AS first, max(origin_day) AS last, count(*) AS drains FROM drain"
    ).row(0)
    lead = (
        f"{reach[2]:,} drains, from {reach[0]} to {reach[1]}, as their logs tell it."
        if reach[2] and reach[0]
        else f"{reach[2]:,} drains."
        if reach[2]
        else "No drain has been published in this ledger yet: what follows is empty, and says so."
    )
    return page("All drains together", lead, sections, made_from=made_from(ask))


def made_from(ask: Ask) -> list[str]:
    """
    The footer's words: by which code and settings the database was made, and how far its data reach.

    No moment of making: the same database gives the same page.
    """
    code, settings = ask("SELECT code_version, settings_digest FROM provenance").row(0)
    latest, logs = log_reach(ask)
    until = f", the latest exported {latest:%Y-%m-%d %H:%M} UTC" if latest else ""
    return [
        f"Made from {logs:,} log file{'' if logs == 1 else 's'}{until}. Code {code}; definitions "
        f"{settings[:12]}.",
        "Instants are in UTC, days and months local to the site. Rates count operations where patients are "
        "known and drains where not. Pseudonyms belong to this ledger.",
    ]


def _drains(drains: pl.DataFrame, links: Mapping[str, str], how_chosen: str) -> Section:
    rows = [
        {
            "link": links[row["drain_id"]],
            "name": row["drain_id"],
            "place": f"{row['unit'] or NO_WARD} · {row['site']}",
            "days": f"{row['minutes_observed'] / 1440:.1f}",
            "leak": row["prolonged_leak"],
            "why": row["why"],
        }
        for row in drains.iter_rows(named=True)
        if row["drain_id"] in links
    ]
    return Section(
        "drains",
        "Drains to look at",
        render("drains.html.j2", rows=rows, how_chosen=how_chosen),
        "What happened over the whole course of a single drain?",
        "These were chosen because something stands out, so they are not like the rest. Any other drain "
        "gets its page with drainledger report --drain ID.",
    )
