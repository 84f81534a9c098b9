"""How good the data are, on a page: minutes missing or contradicted, clocks, findings, broken rules."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.page import Section
from pipeline.report.table import Col, table
from pipeline.report.templates import render
from pipeline.report.words import told
from schemas.findings import FINDINGS

_MOST_RULES, _MOST_DEVICES = 15, 10

# A file that breaks off, or whose end line promises more rows, keeps those that are there.
_COST = {"file": "the file", "part": "the file, in part", "row": "the row", "cell": "the cell"}
_DAYS_FROM = 2880  # minutes from which a stretch is told in days: nobody divides 18,720 by 1,440

_SITES = """
SELECT
  site,
  count(DISTINCT device) AS devices,
  sum(minutes_expected)::BIGINT AS expected,
  sum(minutes_observed)::BIGINT AS observed,
  sum(minutes_missing)::BIGINT AS missing,
  sum(minutes_missing) / nullif(sum(minutes_expected), 0) AS missing_share,
  sum(minutes_overlapping)::BIGINT AS overlapping,
  sum(minutes_conflicting)::BIGINT AS conflicting,
  sum(minutes_hidden)::BIGINT AS hidden,
  sum(clock_steps)::BIGINT AS steps
FROM data_quality
WHERE scope = 'device_day'
GROUP BY site
ORDER BY site
"""

_DEVICES = """
SELECT
  site,
  device,
  sum(minutes_expected)::BIGINT AS expected,
  sum(minutes_missing)::BIGINT AS missing,
  sum(minutes_missing) / nullif(sum(minutes_expected), 0) AS missing_share,
  sum(minutes_conflicting)::BIGINT AS conflicting,
  sum(clock_steps)::BIGINT AS steps
FROM data_quality
WHERE scope = 'device_day'
GROUP BY site, device
HAVING sum(minutes_missing) > 0 OR sum(minutes_conflicting) > 0 OR sum(clock_steps) > 0
ORDER BY missing DESC, conflicting DESC, steps DESC, site, device
"""

_FINDINGS = """
SELECT
  site,
  finding,
  count(*) AS findings,
  count(DISTINCT drain_id) AS drains,
  sum(minutes)::BIGINT AS minutes
FROM data_quality
WHERE finding IS NOT NULL
GROUP BY site, finding
ORDER BY site, finding
"""

_RULES = """
SELECT
  rejected_row.rule,
  CASE
    WHEN rejected_row.scope = 'file' AND load_file.rows_kept > 0 THEN 'part'
    ELSE rejected_row.scope
  END AS cost,
  rejected_row."column" AS field,
  count(*) AS times,
  count(DISTINCT rejected_row.file_sha256) AS files
FROM rejected_row
LEFT JOIN load_file
  ON rejected_row.file_sha256 = load_file.file_sha256
GROUP BY rejected_row.rule, cost, field
ORDER BY times DESC, rejected_row.rule, cost, field
"""


def data_quality(ask: Ask) -> Section:
    """
    Minutes missing, contradicted and hidden, clock steps, registry findings, and what was rejected and why.

    Parameters
    ----------
    ask
        Reads `data_quality`, `rejected_row` and `load_file`.
    """
    rules, devices = ask(_RULES), ask(_DEVICES)
    parts: list[Markup] = [
        table(
            ask(_SITES),
            {
                "site": Col("site"),
                "devices": Col("devices"),
                "expected": Col("minutes expected"),
                "missing": Col("missing"),
                "missing_share": Col("share missing", 1, percent=True),
                "overlapping": Col("exported twice, the same"),
                "conflicting": Col("exported twice, differing"),
                "hidden": Col("hidden by a clock set back"),
                "steps": Col("clock steps"),
            },
            "Minutes inside uses of devices, by site",
            name="quality-by-site",
            empty="No device has been read yet.",
        ),
        table(
            ask(_FINDINGS).with_columns(told(FINDINGS, "finding"), time=_time()),
            {
                "finding": Col("finding"),
                "site": Col("site"),
                "findings": Col("how often"),
                "drains": Col("drains concerned"),
                "time": Col("time concerned", null="–", right=True),
            },
            "What registry, notes and logs say against one another",
            name="findings",
            empty="Registry and logs agree, or there is no registry.",
        ),
        table(
            devices.head(_MOST_DEVICES),
            {
                "device": Col("device"),
                "site": Col("site"),
                "expected": Col("minutes expected"),
                "missing": Col("missing"),
                "missing_share": Col("share missing", 1, percent=True),
                "conflicting": Col("differing"),
                "steps": Col("clock steps"),
            },
            _first("Devices with minutes missing or in doubt", _MOST_DEVICES, devices.height),
            name="devices",
            empty="No device has any.",
        ),
        table(
            rules.head(_MOST_RULES).with_columns(pl.col("rule").str.replace_all("_", " ")),
            {
                "rule": Col("rule broken"),
                "field": Col("column", null="–"),
                "cost": Col("cost", words=_COST),
                "times": Col("times"),
                "files": Col("in files"),
            },
            _first("What was rejected and why", _MOST_RULES, rules.height),
            name="rules",
            empty="Nothing was rejected.",
        ),
    ]
    return Section(
        "quality",
        "How good the data are",
        render("parts.html.j2", note="", parts=parts, empty=""),
        "How much of what should be there is there, and what contradicts itself?",
        "A minute missing here is missing inside a use of a device; what was never exported at all shows "
        "nowhere. A site with many findings may only be the one that keeps a registry. The files "
        "concerned: drainledger rejected and drainledger status.",
    )


def _time() -> pl.Expr:
    """Minutes concerned as text: in days where they are many."""
    minutes = pl.col("minutes")
    days = pl.format("{} days", (minutes / 1440).round(1))
    return pl.when(minutes >= _DAYS_FROM).then(days).otherwise(pl.format("{} min", minutes))


def _first(caption: str, most: int, there_are: int) -> str:
    return f"{caption}, the first {most} of {there_are:,}" if there_are > most else caption
