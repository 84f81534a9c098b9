"""The prolonged-leak rate ward beside ward: a funnel on a page."""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from pipeline.report.ask import Ask
from pipeline.report.figure import figure
from pipeline.report.look import GREYS
from pipeline.report.page import Section
from pipeline.report.rate_words import RATE_COLUMNS, RATE_TIPS, mark_look, marked, rates_told
from pipeline.report.table import Col, table
from pipeline.report.words import interval, ward

_WARDS = """
SELECT
  funnel.*,
  wilson_low(funnel.prolonged, funnel.evaluable) AS low,
  wilson_high(funnel.prolonged, funnel.evaluable) AS high,
  funnel.prolonged / nullif(funnel.counted, 0) AS if_no,
  (funnel.prolonged + funnel.unknown) / nullif(funnel.counted, 0) AS if_yes
FROM prolonged_leak_funnel AS funnel
ORDER BY funnel.site, funnel.unit
"""

# The limits between the wards' own numbers: the same macros the view uses, at every number up to the most.
_LIMITS = """
WITH given AS (
  SELECT
    max(centre) AS centre,
    max(evaluable) AS most,
    figure('statistics.level') AS level,
    figure('statistics.outer_level') AS outer_level
  FROM prolonged_leak_funnel
),
numbers AS (
  SELECT DISTINCT
    greatest(1, round(given.most * step / 120.0))::BIGINT AS evaluable,
    given.*
  FROM given
  CROSS JOIN range(1, 121) AS steps(step)
)
SELECT
  evaluable,
  binomial_quantile((1 - level) / 2, evaluable, centre) / evaluable AS limit_95_low,
  binomial_quantile((1 + level) / 2, evaluable, centre) / evaluable AS limit_95_high,
  binomial_quantile((1 - outer_level) / 2, evaluable, centre) / evaluable AS limit_998_low,
  binomial_quantile((1 + outer_level) / 2, evaluable, centre) / evaluable AS limit_998_high
FROM numbers
ORDER BY evaluable
"""


_MOST_NAMED = 12
_ROOM = 1.12  # of the axis to the right, for the words at the lines' ends
_WIDTH, _HEIGHT, _NAME_PX = 640, 300, 170  # px; narrower than a page at a desk, so that names have room


def rates_by_ward(ask: Ask) -> Section:
    """
    Funnel of the prolonged-leak rate by ward, with exact 95 % and 99.8 % limits.

    Parameters
    ----------
    ask
        Reads `prolonged_leak_funnel`, `prolonged_leak_rate` and the macros of the binomial.
    """
    rows = rates_told(ask(_WARDS)).with_columns(
        ward(),
        # As exact as the rates beside them: rounded away, a rate just at its limit would look beyond it.
        said_95=interval("limit_95_low", "limit_95_high", 1),
        said_998=interval("limit_998_low", "limit_998_high", 1),
    )
    numbers = table(
        rows,
        {
            "ward": Col("ward · site"),
            **RATE_COLUMNS,
            "said_95": Col("95 % limits", right=True),
            "said_998": Col("99.8 % limits", right=True),
            "too_small": Col("too few to tell"),
        },
        "Prolonged air leak by ward, with the funnel's limits at each ward's number",
        name="wards",
    )
    known = rows.filter(pl.col("rate").is_not_null())
    body = numbers
    if known.height:
        limits, centre = ask(_LIMITS), float(known["centre"][0])
        body = (
            figure(
                "funnel",
                _funnel(known, limits, centre),
                _wards_told(known, centre),
                "Each mark is a ward: to the right the number that could be judged (evaluable), upwards the "
                "rate. By chance alone 95 % of wards lie within the inner, dashed lines, 99.8 % within the "
                "outer, unbroken ones; the grey line across is the rate of all wards together. Open marks: "
                "too few to tell anything. A triangle: beyond the outer lines. "
                + (
                    f"Named are the wards beyond their outer lines; there are {known.height:,}, too many to "
                    "name all."
                    if known.height > _MOST_NAMED
                    else "Where names would stand on one another, one is left to pointing and to the table."
                ),
            )
            + numbers
        )
    return Section(
        "rate-by-ward",
        "Prolonged air leak, ward by ward",
        body,
        "Does any ward differ from all wards together by more than chance?",
        "Not as a league table. One ward in twenty lies beyond the inner limits by chance. Wards differ in "
        "whom they take in, and nothing here is adjusted for that: a ward outside is a question to ask, "
        "not an answer.",
    )


def _funnel(wards: pl.DataFrame, limits: pl.DataFrame, centre: float) -> Any:
    together = pl.col("ward").str.join("; ").over("evaluable", "rate")
    alone = pl.len().over("evaluable", "rate") == 1
    rows = wards.select(
        pl.when(alone).then("ward").otherwise(pl.format("{} (at this spot: {})", "ward", together)),
        "evaluable",
        pl.col("rate").round(5),
        *marked("outside_998", pl.col("too_small")),
        *RATE_TIPS,
        "said_95",
        "said_998",
    )
    tips = {"ward": "ward", **RATE_TIPS, "said_95": "95 % limits", "said_998": "99.8 % limits"}
    most = limits["evaluable"].to_list()[-1]
    x = alt.X(
        "evaluable:Q",
        title="number that could be judged",
        scale=alt.Scale(domain=[0, most * _ROOM], nice=False),
        axis=alt.Axis(tickCount=8, tickMinStep=1, format="d"),
    )
    # High enough for every mark, and for the outer limit where half of the wards stand.
    middle_n = rows["evaluable"].sort().to_list()[rows.height // 2]
    outer = limits.filter(pl.col("evaluable") >= middle_n)["limit_998_high"]
    top = max(0.1, *rows["rate"].to_list(), outer[0] or 0.0)
    height = min(1.02, top * 1.1)
    scale = alt.Scale(domain=[0, height], nice=False)
    axis = alt.Axis(title="prolonged, of those evaluable", format="%", tickCount=5)
    lines = alt.Chart(limits.with_columns(pl.exclude("evaluable").round(5)))
    layers = [
        lines.mark_line(
            interpolate="step-after", color=colour, strokeDash=dash, strokeWidth=1.5, clip=True
        ).encode(x=x, y=alt.Y(f"{column}:Q", scale=scale, axis=axis))
        for level, colour, dash in (("95", GREYS[1], [5, 3]), ("998", GREYS[1], [1, 0]))
        for column in (f"limit_{level}_low", f"limit_{level}_high")
    ]
    middle = (
        alt.Chart(pl.DataFrame({"centre": [round(centre, 5)]}))
        .mark_rule(color=GREYS[2])
        .encode(y=alt.Y("centre:Q", scale=scale, axis=axis))
    )
    dots = (
        alt.Chart(rows)
        .mark_point(strokeWidth=2, filled=True, opacity=1)
        .encode(
            x=x,
            y=alt.Y("rate:Q", scale=scale, axis=axis),
            **mark_look(),
            tooltip=[alt.Tooltip(f"{column}:N", title=heading) for column, heading in tips.items()],
        )
    )
    ends = limits.tail(1).row(0, named=True)
    said = [
        ("rate of all", centre),
        ("95 %", ends["limit_95_high"]),
        ("99.8 %", ends["limit_998_high"]),
        ("95 %", ends["limit_95_low"]),
        ("99.8 %", ends["limit_998_low"]),
    ]
    named = funnel_names(wards, most * _ROOM, height)
    texts = [
        alt.Chart(pl.DataFrame({"evaluable": most, "rate": round(at, 5), "said": words}))
        .mark_text(align="left", dx=7, dy=-8 if words == said[0][0] else 0, fontSize=11, color=GREYS[1])
        .encode(x=x, y=alt.Y("rate:Q", scale=scale, axis=axis), text="said:N")
        for words, at in _apart(said, height)
    ]
    texts += [
        alt.Chart(some)
        .mark_text(align=side, dx=9 if side == "left" else -9, dy=dy, fontSize=11, limit=_NAME_PX)
        .encode(x=x, y=alt.Y("rate:Q", scale=scale, axis=axis), text="said:N")
        for (side, dy), some in named.group_by("side", "dy", maintain_order=True)
    ]
    return alt.layer(*layers, middle, dots, *texts).properties(height=_HEIGHT)


def _apart(said: list[tuple[str, float | None]], height: float) -> list[tuple[str, float]]:
    """The words at the lines' ends, the first ones first, without those that would stand on one another."""
    kept: list[tuple[str, float]] = []
    for words, at in said:
        if at is not None and 0 < at <= height and all(abs(at - a) > height * 12 / _HEIGHT for _, a in kept):
            kept.append((words, at))
    return kept


def funnel_names(wards: pl.DataFrame, most: float, height: float) -> pl.DataFrame:
    """
    Names beside the marks of a funnel: of all wards where they are few, else of those beyond outer limits.

    Wards at one spot share a name beside it. A name that would stand on another is tried on the other side,
    above and below, and left out where there is no room.

    Parameters
    ----------
    wards
        `ward`, `evaluable`, `rate`, `outside_998`.
    most, height
        Ends of the axes.

    Returns
    -------
    `evaluable`, `rate`, `said`, `side` (the text begins or ends there: `left`, `right`), `dy` in px.
    """
    shown = wards if wards.height <= _MOST_NAMED else wards.filter(pl.col("outside_998").fill_null(False))
    spots = (
        shown.group_by("evaluable", "rate", maintain_order=True)
        .agg(said=pl.col("ward").str.join("; "), out=pl.col("outside_998").fill_null(False).any())
        .sort("out", "evaluable", "rate", descending=[True, True, False])
    )
    taken: list[tuple[float, float, float, float]] = []
    placed = []
    for evaluable, rate, said in spots.select("evaluable", "rate", "said").iter_rows():
        x, y = _WIDTH * evaluable / most, _HEIGHT * (1 - rate / height)
        wide = min(_NAME_PX, 7 * len(said))
        sides = ("right", "left") if x > _WIDTH / 2 else ("left", "right")
        for side, dy in ((side, dy) for dy in (0, -13, 13, -26) for side in sides):
            left = x + 9 if side == "left" else x - 9 - wide
            box = (left, left + wide, y + dy - 7, y + dy + 7)
            free = all(box[1] < a or box[0] > b or box[3] < c or box[2] > d for a, b, c, d in taken)
            if free and left > 0 and box[1] < _WIDTH / _ROOM and box[2] > 0 and box[3] < _HEIGHT:
                taken.append(box)
                placed.append((evaluable, round(rate, 5), said, side, dy))
                break
    schema = {
        "evaluable": pl.Int64(),
        "rate": pl.Float64(),
        "said": pl.String(),
        "side": pl.String(),
        "dy": pl.Int64(),
    }
    return pl.DataFrame(placed, schema=schema, orient="row")


def _wards_told(wards: pl.DataFrame, centre: float) -> str:
    beyond = wards.filter("outside_998")["ward"].to_list()
    said = "beyond the outer limits: " + ", ".join(beyond) if beyond else "none beyond the outer limits"
    return f"Funnel of {wards.height} wards about their common rate of {100 * centre:.0f} per cent; {said}."
