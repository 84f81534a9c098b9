"""How long leaks last, on a page: who still leaks, who stopped, who was lost from sight, by the hour."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.figure import figure
from pipeline.report.leak_curves import incidence_curve, survival_curve
from pipeline.report.page import Section
from pipeline.report.table import Col, table
from pipeline.report.templates import render
from pipeline.report.words import interval, per_cent

HOURS = (0, 24, 48, 72, 96, 120, 168, 240, 336)


# The published definition stands in `definition` under its section's name alone; every other one, and every
# figure moved for the sensitivity table, stands there under a name of its own.
THRESHOLD = """
SELECT told.*
FROM leak_at_threshold AS told
WHERE NOT EXISTS (
  SELECT 1
  FROM definition
  WHERE starts_with(definition.name, 'prolonged_leak.' || told.definition || '.')
    OR starts_with(definition.name, 'sensitivity.' || told.definition || '.')
)
ORDER BY told.site IS NOT NULL, told.site
"""

_CURVES = """
SELECT
  incidence.site,
  incidence.hours,
  incidence.at_risk,
  incidence.ended,
  incidence.censored,
  incidence.competing,
  incidence.incidence,
  incidence.low,
  incidence.high,
  survival.still_leaking,
  survival.low AS still_low,
  survival.high AS still_high
FROM leak_incidence AS incidence
INNER JOIN leak_survival AS survival
  ON incidence.site IS NOT DISTINCT FROM survival.site AND incidence.hours = survival.hours
ORDER BY incidence.site IS NOT NULL, incidence.site, incidence.hours
"""


def leak_course(ask: Ask) -> Section:
    """
    Cumulative incidence of the leak's end with competing events, Kaplan-Meier beside it, and who is at risk.

    Parameters
    ----------
    ask
        Reads `leak_at_threshold`, `leak_incidence`, `leak_survival`.
    """
    at = ask(THRESHOLD)
    curves = ask(_CURVES)
    overall = curves.filter(pl.col("site").is_null())
    parts: list[Markup] = []
    if overall.height:
        parts.append(_headline(at))
        parts.append(_threshold_table(at))
        parts.append(
            figure(
                "leak-end",
                incidence_curve(curves, overall),
                _told(overall),
                "How many leaks have ended by each hour after the operation (else tube in, else the first "
                "minute), all sites together, with its 95 % band; thin lines: site by site. Where the line "
                "begins above nought, as many never leaked. Those who died or left with the drain while it "
                "leaked are counted as such, not as lost. Drawn up to two weeks.",
            )
        )
        parts.append(
            figure(
                "still-leaking",
                survival_curve(overall),
                "The share still leaking by the hour after Kaplan and Meier, all sites together, falling "
                "as the curve above rises; its values are in the table below.",
                "The share still leaking after Kaplan and Meier, with its 95 % band. It treats a death or "
                "a transfer like any loss from sight, as if the leak would have gone on as others did. "
                "Crosses: somebody left our sight. Thin and dotted where the band has stopped: too few are "
                "left to say how sure it is.",
            )
        )
        parts.append(_at_risk(overall))
    return Section(
        "leak-course",
        "How long leaks last",
        render("parts.html.j2", note="", parts=parts, empty="Nobody's leak has been watched yet."),
        "How many leaks have ended by a given hour after the operation, and how many go on beyond the "
        "threshold?",
        "Not as the rate of the charts above: here everybody counts for as long as they were watched, "
        "there only those whose outcome is known. The curves say nothing of a single patient, and far to "
        "the right they stand on a few: look at the number at risk.",
    )


def _headline(at: pl.DataFrame) -> Markup:
    overall = at.filter(pl.col("site").is_null(), pl.col("hours").is_not_null())
    if overall.is_empty():
        return Markup()
    one = overall.with_columns(
        ended_said=per_cent("incidence", 1),
        ended_interval=interval("incidence_low", "incidence_high", 1),
        still_said=per_cent("still_leaking", 1),
        still_interval=interval("still_leaking_low", "still_leaking_high", 1),
        gone_said=per_cent("competing_incidence", 1),
        km_said=per_cent("kaplan_meier", 1),
        km_interval=interval("kaplan_meier_low", "kaplan_meier_high", 1),
    ).row(0, named=True)
    hours, watched = f"{one['hours']:g} hours", f"of {one['watched']:,} watched"
    return render(
        "brief.html.j2",
        figures=[
            (
                f"Leak ended within {hours}",
                one["ended_said"],
                f"95 % interval {one['ended_interval']}, {watched}",
            ),
            (
                f"Still leaking at {hours}",
                one["still_said"],
                f"95 % interval {one['still_interval']}, {watched}",
            ),
            (f"Died or transferred leaking by {hours}", one["gone_said"], watched),
            (
                f"Still leaking at {hours}, Kaplan-Meier",
                one["km_said"],
                f"95 % interval {one['km_interval']}, {watched}; deaths and transfers taken as lost from "
                "sight",
            ),
        ],
    )


def _threshold_table(at: pl.DataFrame) -> Markup:
    shown = at.with_columns(
        pl.col("site").fill_null("all sites"),
        ended_interval=interval("incidence_low", "incidence_high", 1),
        still_interval=interval("still_leaking_low", "still_leaking_high", 1),
        km_interval=interval("kaplan_meier_low", "kaplan_meier_high", 1),
    )
    return table(
        shown,
        {
            "site": Col("site"),
            "watched": Col("watched"),
            "hours": Col("at hour"),
            "incidence": Col("ended", 1, percent=True),
            "ended_interval": Col("95 % interval", right=True),
            "still_leaking": Col("still leaking", 1, percent=True),
            "still_interval": Col("95 % interval", right=True),
            "competing_incidence": Col("died or transferred", 1, percent=True),
            "kaplan_meier": Col("still leaking, Kaplan-Meier", 1, percent=True),
            "km_interval": Col("95 % interval", right=True),
        },
        "At the threshold, site by site; death and transfer with the drain are competing events: after them "
        "the leak's end can no longer be seen",
        name="at-threshold",
    )


def _at_risk(overall: pl.DataFrame) -> Markup:
    """The curve's values at round hours; at risk is who is still watched and leaking at the next event."""
    last = float(overall["hours"][-1])
    rows = []
    for hour in [h for h in HOURS if h <= last] or [0]:
        past = overall.filter(pl.col("hours") <= hour)
        ahead = overall.filter(pl.col("hours") > hour)
        rows.append(
            {
                "hour": hour,
                "at_risk": int(ahead["at_risk"][0]) if ahead.height else 0,
                **{name: int(past[name].sum()) for name in ("ended", "competing", "censored")},
                **{
                    name: past[name][-1] if past.height else None
                    for name in ("incidence", "low", "high", "still_leaking", "still_low", "still_high")
                },
            }
        )
    reals = ("incidence", "low", "high", "still_leaking", "still_low", "still_high")
    frame = pl.DataFrame(rows, schema_overrides=dict.fromkeys(reals, pl.Float64)).with_columns(
        band=interval("low", "high", 1), still_band=interval("still_low", "still_high", 1)
    )
    return table(
        frame,
        {
            "hour": Col("hour"),
            "at_risk": Col("watched and leaking after it"),
            "ended": Col("ended by then"),
            "competing": Col("died or transferred"),
            "censored": Col("otherwise lost from sight"),
            "incidence": Col("share ended", 1, percent=True),
            "band": Col("95 % interval", right=True),
            "still_leaking": Col("still leaking, Kaplan-Meier", 1, percent=True),
            "still_band": Col("95 % interval", right=True),
        },
        "At risk, ended and lost from sight, all sites together",
        name="at-risk",
    )


def _told(overall: pl.DataFrame) -> str:
    said = []
    for hour in (24, 72, 120):
        past = overall.filter(pl.col("hours") <= hour)
        if past.height:
            said.append(f"{100 * float(past['incidence'][-1]):.0f} per cent by hour {hour}")
    return "Cumulative share of leaks that have ended, all sites together: " + "; ".join(said) + "."
