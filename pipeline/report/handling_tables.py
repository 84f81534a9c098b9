"""The tables of the handling section: ward by ward, and alerts by their kind."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.table import Col, table

_ALERTS = """
SELECT
  code,
  count(*) AS alarms,
  count(DISTINCT drain_id) AS drains,
  count(*) - count(minutes_to_clear) AS not_seen,
  quantile_cont(minutes_to_clear, 0.5) AS median,
  quantile_cont(minutes_to_clear, 0.9) AS p90,
  count(*) FILTER (WHERE is_left_ringing) AS left_ringing
FROM alarm
GROUP BY code
ORDER BY code
"""


def ward_tables(wards: pl.DataFrame) -> list[Markup]:
    """
    The figures behind the charts: time, alerts and clamps, suspected occlusions.

    Parameters
    ----------
    wards
        A row a ward, with the columns of `handling`'s query.
    """

    def band(name: str) -> pl.Expr:
        low, high = (pl.col(f"{name}_{end}").round(1) for end in ("low", "high"))
        unknown = pl.col(f"{name}_low").is_null()
        return pl.when(unknown).then(pl.lit("–")).otherwise(pl.format("{} to {}", low, high))

    minutes = table(
        wards,
        {
            "ward": Col("ward · site"),
            "drains": Col("drains"),
            "days": Col("drain-days", 1),
            "tilted": Col("minutes tilted a day", 1),
            "paused": Col("minutes paused a day", 1),
            "short": Col("minutes short of suction a day", 1),
            "mains": Col("time on mains", percent=True),
        },
        "Time by ward, each figure per 24 hours that could tell",
        name="handling-minutes",
    )
    counts = table(
        wards.with_columns(ringing_band=band("ringing"), clamped_band=band("clamped")),
        {
            "ward": Col("ward · site"),
            "alarms": Col("alarms"),
            "alarms_per_day": Col("alarms a day", 2),
            "ringing_count": Col("left ringing"),
            "ringing": Col("per 100 days", 1),
            "ringing_band": Col("95 % interval", right=True),
            "clamped_count": Col("clamps left on"),
            "clamped": Col("per 100 days", 1),
            "clamped_band": Col("95 % interval", right=True),
        },
        "Alarms and clamps by ward",
        name="handling-counts",
    )
    suspicions = table(
        wards.with_columns(occluded_band=band("occluded")),
        {
            "ward": Col("ward · site"),
            "occluded_days": Col("drain-days that could tell", 1),
            "occluded_count": Col("suspected occlusions"),
            "occluded_drains": Col("on drains"),
            "occluded_noted": Col("noted by staff"),
            "occluded_against": Col("of these, the log shows flow"),
            "occluded": Col("per 100 days", 1),
            "occluded_band": Col("95 % interval", right=True),
        },
        "Suspected occlusions by ward",
        name="handling-occlusions",
    )
    return [minutes, counts, suspicions]


def alerts_by_kind(ask: Ask) -> Markup:
    """
    Which alerts rang, and how long they took to end, all wards together.

    Parameters
    ----------
    ask
        Reads `alarm`.
    """
    return table(
        ask(_ALERTS).with_columns(pl.col("code").str.replace_all("_", " ")),
        {
            "code": Col("alarm"),
            "alarms": Col("times"),
            "drains": Col("on drains"),
            "left_ringing": Col("left ringing"),
            "not_seen": Col("not seen to end"),
            "median": Col("median minutes to its end", 0, null="–"),
            "p90": Col("nine in ten within, min", 0, null="–"),
        },
        "Alarms by kind, all wards; minutes are of those seen to end",
        name="alerts",
        empty="No alert rang, or no log tells.",
    )
