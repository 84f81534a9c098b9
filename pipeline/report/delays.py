"""Hours between ready and removed, on a page: rule by rule, and by ward."""

from __future__ import annotations

from typing import Any

import polars as pl
from markupsafe import Markup

from pipeline.cohort.rules import load_rules
from pipeline.report.ask import Ask
from pipeline.report.figure import figure
from pipeline.report.page import Section
from pipeline.report.spans import few_drawn_open, spans
from pipeline.report.table import Col, table
from pipeline.report.templates import render
from pipeline.report.words import ward

# The medians of the months (view removal_delay) cannot be added up: here the same drains, all months at once.
_RULES = """
SELECT
  {groups},
  count(*) AS drains,
  count(readiness.hours_ready_before_removal) AS ready,
  count(*) FILTER (WHERE readiness.removed_before_ready) AS before,
  count(*) FILTER (
    WHERE readiness.hours_ready_before_removal IS NULL AND readiness.removed_before_ready IS NOT TRUE
  ) AS untold,
  quantile_cont(readiness.hours_ready_before_removal, 0.25) AS low,
  quantile_cont(readiness.hours_ready_before_removal, 0.5) AS median,
  quantile_cont(readiness.hours_ready_before_removal, 0.75) AS high,
  quantile_cont(readiness.hours_ready_before_removal, 0.9) AS p90,
  quantile_cont(epoch(drain.tube_out_at - readiness.ready_at) / 3600, 0.5)
    FILTER (WHERE readiness.ready_at < drain.tube_out_at) AS first_median
FROM drain
INNER JOIN readiness
  ON drain.drain_id = readiness.drain_id
WHERE came_out(drain.tube_out_at, drain.removal_reason)
GROUP BY {groups}
ORDER BY {groups}
"""

_ENOUGH = "SELECT figure('chart.least_evaluable') AS enough"


def ready_to_removed(ask: Ask) -> Section:
    """
    The hours a tube stayed after a rule held without break up to its removal.

    Beside their median stands that of the hours since the rule first held at all, from which `whatif` counts:
    of every tube that came out later than that, also of those that were no longer ready when it did.

    Parameters
    ----------
    ask
        Reads `drain` and `readiness`.
    """
    enough = ask(_ENOUGH).item()
    rules = ask(_RULES.format(groups="readiness.rule")).with_columns(
        few=pl.lit(False) if enough is None else pl.col("ready").is_between(1, enough, closed="left"),
        n=pl.format("n {} ready", "ready"),
    )
    parts: list[Markup] = []
    if rules["ready"].sum():
        parts.append(
            figure(
                "delay-chart",
                _delays(rules),
                _told(rules),
                "Hours from ready for good (the start of the unbroken stretch up to the removal) to removed, "
                "rule by rule. Dot: half took longer. Thick bar: the middle half. Thin line: up to what nine "
                "in ten did not exceed. The last column of the table counts from the first ready minute "
                "instead, as whatif does: a tube that was ready, leaked again and was ready again has more "
                "hours there, and one not ready any more when it came out is only there."
                + few_drawn_open(enough, rules, "few", "tubes ready before removal"),
            )
        )
    elif rules.height:
        parts.append(
            Markup("<p class='unknown'>No tube was both ready by a rule and known to be removed.</p>")
        )
    if rules.height:
        titles = {rule.name: rule.title for rule in load_rules()}
        asked = pl.col("rule").replace_strict(titles, default=None, return_dtype=pl.String)
        parts.append(_table(rules.rename({"rule": "group"}), "rule", "Ready to removed, by rule", "delays"))
        parts.append(
            table(
                rules.with_columns(asks=asked),
                {"rule": Col("rule"), "asks": Col("what it asks", null="a rule of your own")},
                "What each rule asks before it calls a tube ready; none is a recommendation",
            )
        )
        wards = ask(_RULES.format(groups="readiness.rule, drain.site, drain.unit")).with_columns(ward())
        body = Markup("").join(
            _table(
                wards.filter(rule=rule).rename({"ward": "group"}),
                "ward · site",
                f"Ready to removed by ward, rule {rule}",
                "",
            )
            for rule in rules["rule"].to_list()
        )
        parts.append(render("folded.html.j2", summary="By ward, rule by rule", body=body))
    return Section(
        "delay",
        "From ready to removed",
        render(
            "parts.html.j2",
            note="",
            parts=parts,
            empty="No tube is known to have come out, or there is no rule to hold it against.",
        ),
        "Once a tube could have come out by some rule, how long did it stay?",
        "No rule here is a recommendation, and a delay is no fault: a tube stays for reasons that no log "
        "shows, and the rules know only leak, fluid and time. Whoever was still watched after ready was "
        "kept in for a reason. Tubes out before a rule held are counted beside the delays, never as a "
        "delay of nought.",
    )


def _delays(rules: pl.DataFrame) -> Any:
    shown = rules.with_columns(
        pl.col("low", "median", "high", "p90").round(2),
        said=pl.format("{} h", pl.col("median").round(1)),
        middle=pl.format("{} to {} h", pl.col("low").round(1), pl.col("high").round(1)),
        nine=pl.format("{} h", pl.col("p90").round(1)),
        of=pl.format("{} of {}", "ready", "drains"),
        early=pl.format("{} of {}", "before", "drains"),
    )
    tips = {
        "rule": "rule",
        "said": "median",
        "middle": "middle half",
        "nine": "nine in ten within",
        "of": "ready before removal",
        "early": "removed before ready",
    }
    return spans(
        shown,
        "rule",
        "median",
        "hours from ready for good to removed",
        tips,
        low="low",
        high="high",
        faint="p90",
        small="few",
        below="n",
    )


def _table(rows: pl.DataFrame, heading: str, caption: str, name: str) -> Markup:
    return table(
        rows,
        {
            "group": Col(heading),
            "drains": Col("removals known"),
            "ready": Col("ready before removal"),
            "before": Col("removed before ready"),
            "untold": Col("neither can be told"),
            "median": Col("median, h", 1, null="–"),
            "low": Col("a quarter below, h", 1, null="–"),
            "high": Col("a quarter above, h", 1, null="–"),
            "p90": Col("nine in ten within, h", 1, null="–"),
            "first_median": Col("since first ready, median, h (as whatif)", 1, null="–"),
        },
        caption,
        name=name,
    )


def _told(rules: pl.DataFrame) -> str:
    said = [
        f"{rule}: {median:.0f} hours ({count} tubes)"
        for rule, median, count in rules.filter(pl.col("ready") > 0)
        .select("rule", "median", "ready")
        .iter_rows()
    ]
    return "Median hours from ready for good to removed, by rule. " + "; ".join(said) + "."
