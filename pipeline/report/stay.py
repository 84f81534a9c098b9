"""What drains put out and how long tubes stay, on a page."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl
from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.figure import figure
from pipeline.report.look import GREYS, SERIES
from pipeline.report.page import Section
from pipeline.report.spans import few_drawn_open, spans
from pipeline.report.table import Col, table
from pipeline.report.templates import render
from pipeline.report.words import ward

_MOST_DAYS = 14

_STAY = """
WITH stays AS (
  SELECT
    site,
    unit,
    came_out(tube_out_at, removal_reason) AS out,
    epoch(tube_out_at - tube_in_at) / 86400 AS days,
    output_ml,
    output_first_24h_ml
  FROM drain
)
SELECT
  site,
  unit,
  count(*) AS drains,
  count(days) FILTER (WHERE out) AS stays,
  quantile_cont(days, 0.25) FILTER (WHERE out) AS days_q1,
  quantile_cont(days, 0.5) FILTER (WHERE out) AS days_median,
  quantile_cont(days, 0.75) FILTER (WHERE out) AS days_q3,
  quantile_cont(days, 0.9) FILTER (WHERE out) AS days_p90,
  count(output_ml) AS outputs,
  quantile_cont(output_ml, 0.25) AS output_q1,
  quantile_cont(output_ml, 0.5) AS output_median,
  quantile_cont(output_ml, 0.75) AS output_q3,
  count(output_first_24h_ml) AS firsts,
  quantile_cont(output_first_24h_ml, 0.25) AS first_q1,
  quantile_cont(output_first_24h_ml, 0.5) AS first_median,
  quantile_cont(output_first_24h_ml, 0.75) AS first_q3
FROM stays
GROUP BY site, unit
ORDER BY site, unit
"""

_ENOUGH = "SELECT figure('chart.least_evaluable') AS enough"

_DAYS = """
SELECT
  day_no,
  count(*) AS drains,
  count(output_ml) AS known,
  quantile_cont(output_ml, 0.25) AS low,
  quantile_cont(output_ml, 0.5) AS median,
  quantile_cont(output_ml, 0.75) AS high
FROM drain_day
WHERE day_no <= ?
GROUP BY day_no
ORDER BY day_no
"""


def output_and_stay(ask: Ask) -> Section:
    """
    Days with the tube by ward, and fluid a postoperative day, each with how many it stands on.

    Parameters
    ----------
    ask
        Reads `drain` and `drain_day`.
    """
    enough = ask(_ENOUGH).item()
    few = pl.lit(False) if enough is None else pl.col("known") < enough
    wards = ask(_STAY).with_columns(ward(), known=pl.col("stays"), n=pl.format("n {} out", "stays"))
    wards = wards.with_columns(few=few & (pl.col("known") > 0))
    days = ask(_DAYS, _MOST_DAYS).with_columns(few=few & (pl.col("known") > 0))
    parts: list[Markup] = []
    if wards["stays"].sum():
        parts.append(
            figure(
                "stay-chart",
                _stays(wards),
                _stays_told(wards),
                "Days from tube in to tube out, by ward. Dot: half of the tubes stayed longer. Thick bar: "
                "the middle half. Thin line: up to what nine in ten did not exceed. Only tubes known to "
                "have come out." + few_drawn_open(enough, wards, "few", "such tubes"),
            )
        )
    elif wards.height:
        parts.append(Markup("<p class='unknown'>No registry says when a tube went in and came out.</p>"))
    parts.append(_wards_table(wards))
    if days["known"].sum():
        parts.append(
            figure(
                "fluid-by-day",
                _fluid(days),
                _fluid_told(days),
                "Fluid a day, all wards, by days after the operation (day 0: its day, which is not a whole "
                "one). Line: half of the drains put out more. Band: the middle half."
                + few_drawn_open(enough, days, "few", "drains"),
                numbers=_days_table(days),
                about="fluid by day after the operation",
            )
        )
    elif days.height:
        parts.append(Markup("<p class='unknown'>No day's fluid could be told.</p>"))
    return Section(
        "stay",
        "Fluid, and how long tubes stay",
        render("parts.html.j2", note="", parts=parts, empty="No drain yet."),
        "How long do tubes stay in on each ward, and how much fluid comes on which day?",
        "A longer stay is not a worse ward: it follows who is treated there. Tubes still in, and patients "
        "who died or left with theirs, have no stay here, so that a young cohort's stays look short. Late "
        "days show only the drains that were still in, which are those that put out most. A total is left "
        "out where the volume was not read to the end, and reaches as far as the log does, not to tube out.",
    )


def _stays(wards: pl.DataFrame) -> Any:
    shown = wards.with_columns(
        pl.col("days_q1", "days_median", "days_q3", "days_p90").round(3),
        said=pl.format("{} days", pl.col("days_median").round(1)),
        middle=pl.format("{} to {} days", pl.col("days_q1").round(1), pl.col("days_q3").round(1)),
        nine=pl.format("{} days", pl.col("days_p90").round(1)),
        of=pl.format("{} of {} drains", "stays", "drains"),
    )
    tips = {
        "ward": "ward",
        "said": "median",
        "middle": "middle half",
        "nine": "nine in ten within",
        "of": "tubes out",
    }
    return spans(
        shown,
        "ward",
        "days_median",
        "days with the tube in",
        tips,
        low="days_q1",
        high="days_q3",
        faint="days_p90",
        small="few",
        below="n",
    )


def _wards_table(wards: pl.DataFrame) -> Markup:
    def middle(name: str, digits: int) -> pl.Expr:
        low, high = (pl.col(f"{name}_{end}").round(digits) for end in ("q1", "q3"))
        if digits == 0:
            low, high = low.cast(pl.Int64), high.cast(pl.Int64)
        unknown = pl.col(f"{name}_q1").is_null()
        return pl.when(unknown).then(pl.lit("–")).otherwise(pl.format("{} to {}", low, high))

    shown = wards.with_columns(
        days_middle=middle("days", 1), output_middle=middle("output", 0), first_middle=middle("first", 0)
    )
    return table(
        shown,
        {
            "ward": Col("ward · site"),
            "drains": Col("drains"),
            "stays": Col("tube known to be out"),
            "days_median": Col("days in, median", 1),
            "days_middle": Col("middle half", right=True),
            "firsts": Col("first 24 h known"),
            "first_median": Col("fluid of the first 24 h, median, mL"),
            "first_middle": Col("middle half", right=True),
            "outputs": Col("total known"),
            "output_median": Col("fluid in all, median, mL"),
            "output_middle": Col("middle half", right=True),
        },
        "Days with the tube and fluid, by ward",
        name="stay-by-ward",
    )


def _fluid(days: pl.DataFrame) -> Any:
    shown = days.filter(pl.col("known") > 0).with_columns(
        pl.col("low", "median", "high").round(1),
        said=pl.format("{} mL", pl.col("median").round(0).cast(pl.Int64)),
        middle=pl.format(
            "{} to {} mL", pl.col("low").round(0).cast(pl.Int64), pl.col("high").round(0).cast(pl.Int64)
        ),
        of=pl.format("{} of {} drains", "known", "drains"),
        label=pl.format("{}|n {}", "day_no", "known"),
    )
    x = alt.X(
        "label:O",
        sort=shown["label"].to_list(),
        axis=alt.Axis(
            title="day after the operation",
            labelAngle=0,
            labelOverlap=True,
            labelSeparation=6,
            labelExpr="split(datum.label, '|')",
        ),
    )
    tooltip = [
        alt.Tooltip(f"{column}:N", title=heading)
        for column, heading in (
            ("day_no", "day"),
            ("said", "median"),
            ("middle", "middle half"),
            ("of", "could be told"),
        )
    ]
    title = "fluid of the day, mL"
    base = alt.Chart(shown).encode(x=x)
    band = base.mark_bar(color=GREYS[3], width={"band": 0.35}).encode(
        y=alt.Y("low:Q", title=title), y2="high:Q", tooltip=tooltip
    )
    line = base.mark_line(color=SERIES[0], strokeWidth=2).encode(y=alt.Y("median:Q", title=title))
    dots = base.mark_point(size=80, filled=True, strokeWidth=2, opacity=1).encode(
        y=alt.Y("median:Q", title=title),
        fill=alt.condition("datum.few", alt.value("white"), alt.value(SERIES[0])),
        stroke=alt.value(SERIES[0]),
        tooltip=tooltip,
    )
    return alt.layer(band, line, dots).properties(height=220)


def _days_table(days: pl.DataFrame) -> Markup:
    return table(
        days,
        {
            "day_no": Col("day"),
            "drains": Col("drains then watched"),
            "known": Col("fluid known"),
            "median": Col("median, mL"),
            "low": Col("a quarter below, mL"),
            "high": Col("a quarter above, mL"),
        },
        "Fluid by day after the operation, all wards",
        name="fluid-days",
    )


def _stays_told(wards: pl.DataFrame) -> str:
    known = wards.filter(pl.col("stays") > 0)
    said = [
        f"{name} {median:.1f} days ({count} tubes)"
        for name, median, count in known.select("ward", "days_median", "stays").head(8).iter_rows()
    ]
    more = f", and {known.height - 8} wards more" if known.height > 8 else ""
    return "Median days with the tube in, by ward: " + "; ".join(said) + more + "."


def _fluid_told(days: pl.DataFrame) -> str:
    said = [
        f"day {day}: {median:.0f} mL ({count} drains)"
        for day, median, count in days.filter(pl.col("known") > 0)
        .select("day_no", "median", "known")
        .head(6)
        .iter_rows()
    ]
    return "Median fluid a day after the operation. " + "; ".join(said) + "."
