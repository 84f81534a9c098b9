"""What is in the data and what is missing, on a page: the first thing a reader must know."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.files_held import files_held
from pipeline.report.leak_course import THRESHOLD
from pipeline.report.page import Section
from pipeline.report.table import Col, said, table
from pipeline.report.templates import render
from pipeline.report.words import REASONS, interval, told

_SITES = """
WITH drains AS (
  SELECT
    site,
    count(DISTINCT unit) AS wards,
    count(*) AS drains,
    count(*) FILTER (WHERE linked) AS linked,
    count(*) FILTER (WHERE NOT linked) AS unlinked,
    count(*) FILTER (WHERE minutes_observed = 0) AS without_log,
    min(origin_day) AS first_day,
    max(origin_day) AS last_day,
    sum(minutes_observed) / 1440 AS drain_days,
    quantile_cont(completeness, 0.25) AS complete_low,
    quantile_cont(completeness, 0.5) AS complete_median,
    max(ended_at) AS last_minute
  FROM drain
  GROUP BY site
),
operations AS (
  SELECT site, count(*) AS operations
  FROM operation
  GROUP BY site
)
SELECT
  drains.*,
  coalesce(operations.operations, 0) AS operations
FROM drains
LEFT JOIN operations
  ON drains.site = operations.site
ORDER BY drains.site
"""

# What the rates count, with why an outcome is unknown: the published definition's rows.
_UNKNOWN = """
WITH counted AS (
  SELECT prolonged_leak, prolonged_leak_reason AS reason
  FROM operation
  UNION ALL
  SELECT prolonged_leak, prolonged_leak_reason AS reason
  FROM drain
  WHERE operation_id IS NULL
)
SELECT
  prolonged_leak,
  reason,
  count(*) AS counted,
  (SELECT count(*) FROM counted) AS of_all
FROM counted
WHERE prolonged_leak = 'unknown' OR reason IS NOT NULL
GROUP BY prolonged_leak, reason
ORDER BY prolonged_leak DESC, counted DESC, reason
"""

_OUTCOMES = """
SELECT
  coalesce(sum(counted), 0)::BIGINT AS counted,
  coalesce(sum(evaluable), 0)::BIGINT AS evaluable,
  coalesce(sum(prolonged), 0)::BIGINT AS prolonged,
  coalesce(sum(unknown), 0)::BIGINT AS unknown,
  wilson_low(sum(prolonged), sum(evaluable)) AS low,
  wilson_high(sum(prolonged), sum(evaluable)) AS high,
  sum(prolonged) / nullif(sum(evaluable), 0) AS rate,
  sum(prolonged) / nullif(sum(counted), 0) AS if_no,
  (sum(prolonged) + sum(unknown)) / nullif(sum(counted), 0) AS if_yes
FROM prolonged_leak_rate
"""


def in_short(ask: Ask) -> Section:
    """
    The figures a meeting asks for first, each with what it is of.

    Parameters
    ----------
    ask
        Reads `drain`, `prolonged_leak_rate`, `leak_at_threshold`.
    """
    sites = ask(_SITES)
    one = ask(_OUTCOMES).row(0, named=True)
    share = Col("", 1, percent=True, null="not known")
    drains, linked = int(sites["drains"].sum()), int(sites["linked"].sum())
    days = float(sites["drain_days"].to_numpy().sum()) if sites.height else 0.0
    figures = [
        ("Drains", f"{drains:,}", f"{linked:,} with a registry row, {drains - linked:,} without"),
        ("Watched", f"{days:,.0f} drain-days", f"at {sites.height:,} site{'' if sites.height == 1 else 's'}"),
        (
            "Prolonged air leak",
            said(one["rate"], share),
            f"{one['prolonged']:,} of {one['evaluable']:,} evaluable (whose outcome is known)"
            + (
                f"; 95 % interval {100 * one['low']:.1f} to {100 * one['high']:.1f} %"
                if one["low"] is not None
                else ""
            ),
        ),
        (
            "Unknown, not in that rate",
            f"{one['unknown']:,} of {one['counted']:,} counted",
            f"were they all no, or all yes, it would be {said(one['if_no'], share)}, or "
            f"{said(one['if_yes'], share)}"
            if one["counted"]
            else "nothing counted yet",
        ),
        *_at_threshold(ask),
    ]
    return Section(
        "in-short",
        "In short",
        render("brief.html.j2", figures=figures),
        "",
        "Counts here are small enough to point at a patient: this page is for inside the house. What "
        "leaves it goes through an extract, or through figures with small groups left out (drainledger "
        "outcomes --suppress).",
    )


def _at_threshold(ask: Ask) -> list[tuple[str, str, str]]:
    found = (
        ask(THRESHOLD)
        .filter(pl.col("site").is_null(), pl.col("hours").is_not_null())
        .with_columns(band=interval("still_leaking_low", "still_leaking_high", 1))
    )
    return [
        (
            f"Still leaking at {one['hours']:g} hours",
            said(one["still_leaking"], Col("", 1, percent=True)),
            f"of {one['watched']:,} watched, death and transfer apart; "
            + (
                f"95 % interval {one['band']}"
                if one["still_leaking_low"] is not None
                else "for all or none there is no interval, however few were watched to the end"
            ),
        )
        for one in found.iter_rows(named=True)
    ]


def holdings(ask: Ask) -> Section:
    """
    Sites, wards, dates, drains, files, completeness, and why outcomes are unknown.

    Parameters
    ----------
    ask
        Reads `drain`, `operation`, `load_file`.
    """
    parts = [
        _sites(ask(_SITES)),
        *files_held(ask),
        _unknown(ask(_UNKNOWN)),
    ]
    return Section(
        "holdings",
        "What is in the data, and what is missing",
        render("parts.html.j2", note="", parts=parts, empty=""),
        "Whose drains does this page speak of, how much of their time was seen, and whose outcome is not "
        "known?",
        "The drains here are those whose logs somebody exported and loaded, not all that were used. Rates "
        "count operations where a registry tells patients apart, and drains where none does.",
    )


def _sites(sites: pl.DataFrame) -> Markup:
    whose = table(
        sites,
        {
            "site": Col("site"),
            "wards": Col("wards named"),
            "drains": Col("drains"),
            "linked": Col("in a registry"),
            "unlinked": Col("not in one"),
            "operations": Col("operations"),
            "without_log": Col("no log found"),
            "first_day": Col("first day", null="–"),
            "last_day": Col("last day", null="–"),
        },
        "Drains by site; days are those of the operation, else of tube in, else of the first minute",
        name="sites",
        empty="No drain has been published yet.",
    )
    seen = table(
        sites,
        {
            "site": Col("site"),
            "drain_days": Col("drain-days watched", 1),
            "complete_median": Col("share of a drain's minutes that is there, median", 1, percent=True),
            "complete_low": Col("a quarter of drains have less than", 1, percent=True),
            "last_minute": Col("last minute, UTC", null="–"),
        },
        "How much of the drains' time was seen",
        name="seen",
        empty="Nothing was seen yet.",
    )
    return whose + seen


def _unknown(reasons: pl.DataFrame) -> Markup:
    shown = reasons.with_columns(
        told(REASONS, "reason").fill_null("no reason given"),
        outcome=pl.col("prolonged_leak"),
    )
    return table(
        shown,
        {
            "reason": Col("why"),
            "outcome": Col("counts as"),
            "counted": Col("operations or drains"),
            "of_all": Col("of all counted"),
        },
        "Outcomes that are unknown, or rest on a presumption, by reason",
        name="unknown",
        empty="No outcome is unknown.",
    )
