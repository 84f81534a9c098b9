"""How good the data are, on a page: minutes missing or contradicted, clocks, findings, broken rules."""

from __future__ import annotations

from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.page import Section
from pipeline.report.table import Col, table
from pipeline.report.templates import render
from pipeline.report.words import told
from schemas.findings import FINDINGS

_MOST_RULES, _MOST_DEVICES = 15, 10

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
  rule,
  scope,
  "column" AS field,
  count(*) AS times,
  count(DISTINCT file_sha256) AS files
FROM rejected_row
GROUP BY rule, scope, field
ORDER BY times DESC, rule, scope, field
"""


def data_quality(ask: Ask) -> Section:
    """
    Minutes missing, contradicted and hidden, clock steps, registry findings, and what was rejected and why.

    Parameters
    ----------
    ask
        Reads `data_quality` and `rejected_row`.
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
            ask(_FINDINGS).with_columns(told(FINDINGS, "finding")),
            {
                "finding": Col("finding"),
                "site": Col("site"),
                "findings": Col("how often"),
                "drains": Col("drains concerned"),
                "minutes": Col("minutes concerned", null="–"),
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
            rules.head(_MOST_RULES),
            {
                "rule": Col("rule broken"),
                "field": Col("column", null="–"),
                "scope": Col("cost", words={"file": "the file", "row": "the row", "cell": "the cell"}),
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


def _first(caption: str, most: int, there_are: int) -> str:
    return f"{caption}, the first {most} of {there_are:,}" if there_are > most else caption
