"""The prolonged-leak rate month by month at each site: p-charts on a page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import altair as alt
import polars as pl
from markupsafe import Markup

from pipeline.meant import meant
from pipeline.report.ask import Ask
from pipeline.report.figure import figure
from pipeline.report.look import GREYS
from pipeline.report.page import Section
from pipeline.report.rate_words import RATE_COLUMNS, RATE_TIPS, mark_look, marked, rates_told
from pipeline.report.table import Col, table
from pipeline.report.templates import render
from pipeline.report.words import interval, share
from schemas.errors import CallError

MOST_SITES = 12
_FEW_MONTHS = 6
_ABOVE = -6  # px from the top of the axis, upwards
_CAPTION = (
    "Dots: the month's rate. The baseline is the site's own rate over the months that later ones are held "
    "against (dashed; the bracket above, “baseline months”, says which they are). Grey bars: where chance "
    "alone leaves a month's rate in all but 2 of 1,000 months (the 99.8 % limits), given its own number and "
    "that rate. "
    "Open dots: provisional (the site's own logs do not yet reach the definition's time past the month's "
    "end), or too few to tell anything. "
    "A triangle is a month outside its limits."
)

_MONTHS = """
SELECT
  chart.*,
  wilson_low(chart.prolonged, chart.evaluable) AS low,
  wilson_high(chart.prolonged, chart.evaluable) AS high,
  chart.prolonged / nullif(chart.counted, 0) AS if_no,
  (chart.prolonged + chart.unknown) / nullif(chart.counted, 0) AS if_yes
FROM prolonged_leak_chart AS chart
ORDER BY chart.site, chart.month
"""


def rates_over_time(ask: Ask, rules: Sequence[str] = ()) -> Section:
    """
    p-charts of the prolonged-leak rate, a site at a time, with each month's own limits.

    A month is marked where it lies outside its own limits, and by no other rule unless one is asked for. A
    month whose patients have not all had their time, or with too few of them, is drawn open.

    Parameters
    ----------
    ask
        Reads `prolonged_leak_chart`; `chart_rule` and `prolonged_leak_signals` where rules are asked for.
    rules
        Names in `chart_rule`; the months they mark are listed below the charts.

    Raises
    ------
    CallError
        When there is no rule of that name.
    """
    rows = ask(_MONTHS)
    sites = rows.group_by("site", maintain_order=True).agg(pl.col("evaluable").sum())
    drawn = sites.sort("evaluable", "site", descending=[True, False]).head(MOST_SITES)["site"].to_list()
    parts: list[Markup] = []
    for place, site in enumerate(sites["site"].to_list()):
        months = rows.filter(site=site)
        body = numbers = _months_table(months, site)
        dated = months.filter(pl.col("month").is_not_null(), pl.col("rate").is_not_null())
        if site in drawn and dated.height:
            body = figure(
                f"rate-by-month-{place}",
                p_chart(months.filter(pl.col("month").is_not_null())),
                _months_told(dated, site),
                f"{_CAPTION} {_baseline_told(months)}",
                numbers=numbers,
                about=site,
            )
        parts.append(render("site.html.j2", site=site, body=body))
    if rules:
        parts.append(_signals(ask, rules))
    note = (
        f"Charts of the {MOST_SITES} sites with the most evaluable; of the others only the numbers."
        if sites.height > MOST_SITES
        else ""
    )
    return Section(
        "rate-by-month",
        "Prolonged air leak, month by month",
        render("parts.html.j2", note=note, parts=parts, empty="No drain has been counted yet."),
        "Does the share of patients with a leak beyond the threshold change over time, by more than chance?",
        "A month higher than the one before is not a trend: nearly all movement inside the grey bars is "
        "chance. Months are those of the operation (or of tube in, or of the first minute). Recent months "
        "still miss their longest leaks. Nothing is adjusted for who was operated on. Evaluable are those "
        "whose outcome is known, yes or no; unknown is never counted as no.",
    )


def p_chart(months: pl.DataFrame) -> Any:
    first, last = months["month"].min(), months["month"].max()
    every = pl.DataFrame({"month": pl.date_range(first, last, "1mo", eager=True)})  # type: ignore[arg-type]
    standing = pl.concat_str(
        pl.when(pl.col("outside").is_null())
        .then(pl.lit("not judged"))
        .when("outside")
        .then(pl.lit("outside its limits"))
        .otherwise(pl.lit("within its limits")),
        pl.when("provisional").then(pl.lit(", provisional")).otherwise(pl.lit("")),
        pl.when("too_small").then(pl.lit(", too few to tell")).otherwise(pl.lit("")),
    )
    rows = every.join(rates_told(months), on="month", how="left", maintain_order="left").select(
        pl.format("{}|n {}", pl.col("month").dt.strftime("%Y-%m"), pl.col("evaluable").fill_null(0)).alias(
            "label"
        ),
        pl.col("rate", "centre", "limit_low", "limit_high").round(5),
        pl.col("in_baseline").fill_null(False),
        *marked("outside", pl.col("provisional") | pl.col("too_small")),
        pl.col("month").dt.strftime("%Y-%m").alias("said_month"),
        *RATE_TIPS,
        interval("limit_low", "limit_high", 1).alias("said_limits"),
        standing.alias("said_standing"),
    )
    tips = {"said_month": "month", **RATE_TIPS, "said_limits": "99.8 % limits", "said_standing": "so it is"}
    tooltip = [alt.Tooltip(f"{column}:N", title=heading) for column, heading in tips.items()]
    shared: dict[str, Any] = {
        "sort": rows["label"].to_list(),
        "scale": alt.Scale(domain=rows["label"].to_list()),
    }
    x = alt.X(
        "label:O",
        **shared,
        axis=alt.Axis(
            title=None,
            labelAngle=0,
            labelOverlap=True,
            labelSeparation=6,
            labelExpr="split(datum.label, '|')",
        ),
    )
    axis = alt.Axis(title="prolonged, of those evaluable", format="%", tickCount=5)
    top = max(
        0.1, *(float(v) for v in rows.select(pl.col("limit_high", "rate").max()).row(0) if v is not None)
    )
    scale = alt.Scale(domain=[0, min(1.0, top * 1.05)], nice=False)
    rate = alt.Y("rate:Q", scale=scale, axis=axis)
    base = alt.Chart(rows)
    wide: Any = {"band": 0.55} if rows.height > _FEW_MONTHS else 34
    limits = (
        base.transform_filter("isValid(datum.limit_high)")
        .mark_bar(color=GREYS[4], stroke=GREYS[2], strokeWidth=0.5, width=wide)
        .encode(x=x, y=alt.Y("limit_low:Q", scale=scale, axis=axis), y2="limit_high:Q", tooltip=tooltip)
    )
    across = {"x": alt.X("label:O", **shared, bandPosition=0), "x2": alt.X2("label:O", bandPosition=1)}
    centre = (
        base.transform_filter("isValid(datum.centre)")
        .mark_rule(color=GREYS[1], strokeDash=[5, 4])
        .encode(**across, y=alt.Y("centre:Q", scale=scale, axis=axis))
    )
    baseline = (
        base.transform_filter("datum.in_baseline")
        .mark_rule(color=GREYS[2], strokeWidth=2)
        .encode(**across, y=alt.value(_ABOVE))
    )
    # Above the axis and in words: along its bottom it would read as rates of nought.
    begun = rows.filter("in_baseline").head(1)
    named = (
        alt.Chart(begun)
        .mark_text(
            text="baseline months", align="left", baseline="bottom", dy=-3, fontSize=12, color=GREYS[1]
        )
        .encode(x=alt.X("label:O", **shared, bandPosition=0), y=alt.value(_ABOVE))
    )
    dots = (
        base.transform_filter("isValid(datum.rate)")
        .mark_point(strokeWidth=2, filled=True, opacity=1)
        .encode(
            x=x,
            y=rate,
            **mark_look(),
            tooltip=tooltip,
        )
    )
    return alt.layer(limits, centre, baseline, named, dots).properties(height=240)


def _months_table(months: pl.DataFrame, site: str) -> Markup:
    shown = rates_told(months).with_columns(
        interval("limit_low", "limit_high", 1).alias("said_limits"), pl.col("month").dt.strftime("%Y-%m")
    )
    return table(
        shown,
        {
            "month": Col("month", null="day not known"),
            **RATE_COLUMNS,
            "said_limits": Col("99.8 % limits", right=True),
            "outside": Col("outside", null="not judged"),
            "provisional": Col("provisional"),
            "too_small": Col("too few to tell"),
        },
        f"Prolonged air leak by month at {site}",
    )


def _baseline_told(months: pl.DataFrame) -> str:
    last = months.filter(pl.col("baseline_from").is_not_null()).sort("month", nulls_last=True)
    if last.is_empty():
        return "No month is complete yet, so that there is no baseline."
    one = last.row(-1, named=True)
    made = {
        "set": "set by hand",
        "first_months": "the first complete months",
        "forming": "still forming, so that it moves with each month",
    }[one["baseline"]]
    prolonged, evaluable = one["baseline_prolonged"], one["baseline_evaluable"]
    if prolonged in (0, evaluable):
        small = " That says nothing about chance: no limits are drawn, and no month is judged."
    elif one["baseline_too_small"]:
        small = " That is few: its limits are not to be relied on."
    else:
        small = ""
    return (
        f"Baseline: {one['baseline_from']:%Y-%m} to {one['baseline_through']:%Y-%m} ({made}), "
        f"{prolonged:,} of {evaluable:,} prolonged.{small}"
    )


def _signals(ask: Ask, rules: Sequence[str]) -> Markup:
    known = ask("SELECT rule FROM chart_rule")["rule"].to_list()
    if strange := [rule for rule in rules if rule not in known]:
        raise CallError(f"report: there is no chart rule {strange[0]!r}; {meant(strange[0], known)}")
    listed = ", ".join(f"'{rule}'" for rule in dict.fromkeys(rules))
    found = ask(f"SELECT * FROM prolonged_leak_signals(rules := [{listed}]) ORDER BY site, month, rule")
    marked = table(
        found.with_columns(pl.col("month").dt.strftime("%Y-%m"), said=share("prolonged", "evaluable")),
        {
            "site": Col("site"),
            "month": Col("month"),
            "rule": Col("rule"),
            "said": Col("prolonged", right=True),
            "rate": Col("rate", 1, percent=True),
            "centre": Col("centre", 1, percent=True),
            "meaning": Col("when it marks a month"),
        },
        f"Months marked by the rules asked for: {', '.join(dict.fromkeys(rules))}",
        name="signals",
        empty="These rules mark no month.",
    )
    warned = Markup(
        "<p class='note'>Each further rule marks more months by chance alone. A mark is a question.</p>"
    )
    return render("site.html.j2", site="Rules that were asked for", body=warned + marked)


def _months_told(months: pl.DataFrame, site: str) -> str:
    outside = months.filter("outside")
    said = (
        "outside their limits: " + ", ".join(outside["month"].dt.strftime("%Y-%m").to_list())
        if outside.height
        else "none outside its limits"
    )
    counts = months.select(pl.col("prolonged", "evaluable").sum()).row(0)
    rates = 100 * months["rate"].to_numpy()
    return (
        f"{site}: prolonged-leak rate of {months.height} months, from {rates.min():.0f} to "
        f"{rates.max():.0f} per cent; {counts[0]:,} of {counts[1]:,} over all of them; {said}."
    )
