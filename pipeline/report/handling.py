"""How drains are handled ward by ward, on a page for those who teach it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl
from markupsafe import Markup

from pipeline.report.ask import Ask
from pipeline.report.figure import figure
from pipeline.report.handling_tables import alerts_by_kind, ward_tables
from pipeline.report.page import Section
from pipeline.report.spans import few_drawn_open, spans
from pipeline.report.templates import render
from pipeline.report.words import ward

MOST_WARDS = 40

# All months at once: the minutes and counts behind the view's rates are added, then divided again.
_WARDS = """
WITH wards AS (
  SELECT
    site,
    unit,
    sum(drains)::BIGINT AS drains,
    sum(minutes_observed)::BIGINT AS observed,
    sum(tilted_minutes)::BIGINT AS tilted,
    sum(tilt_known_minutes)::BIGINT AS tilt_known,
    sum(pause_minutes)::BIGINT AS paused,
    sum(state_known_minutes)::BIGINT AS pause_known,
    sum(suction_shortfall_minutes)::BIGINT AS short,
    sum(suction_known_minutes)::BIGINT AS short_known,
    sum(alarm_count)::BIGINT AS alarms,
    sum(alarms_known_minutes)::BIGINT AS alarms_known,
    sum(alerts_left_ringing)::BIGINT AS left_ringing,
    sum(clamps_left_on)::BIGINT AS left_on,
    sum(minutes_observed) FILTER (WHERE clamps_left_on IS NOT NULL)::BIGINT AS clamps_known,
    sum(mains_minutes)::BIGINT AS on_mains,
    sum(power_known_minutes)::BIGINT AS power_known
  FROM handling
  GROUP BY site, unit
),
suspicions AS (
  SELECT
    site,
    unit,
    sum(suspected)::BIGINT AS suspected,
    sum(drains_suspected)::BIGINT AS drains_suspected,
    sum(annotated)::BIGINT AS annotated,
    sum(annotated_against_log)::BIGINT AS against_log,
    sum(drains_assessed)::BIGINT AS drains_assessed,
    sum(round(drain_days * 1440)::BIGINT)::BIGINT AS assessed
  FROM suspected_occlusions
  GROUP BY site, unit
)
SELECT
  wards.site,
  wards.unit,
  drains,
  observed / 1440 AS days,
  tilted * 1440 / nullif(tilt_known, 0) AS tilted,
  tilt_known / 1440 AS tilted_days,
  paused * 1440 / nullif(pause_known, 0) AS paused,
  pause_known / 1440 AS paused_days,
  short * 1440 / nullif(short_known, 0) AS short,
  short_known / 1440 AS short_days,
  alarms,
  alarms * 1440 / nullif(alarms_known, 0) AS alarms_per_day,
  alarms_known / 1440 AS ringing_days,
  left_ringing AS ringing_count,
  left_ringing * 144000 / nullif(alarms_known, 0) AS ringing,
  poisson_low(left_ringing) * 144000 / nullif(alarms_known, 0) AS ringing_low,
  poisson_high(left_ringing) * 144000 / nullif(alarms_known, 0) AS ringing_high,
  left_on AS clamped_count,
  clamps_known / 1440 AS clamped_days,
  left_on * 144000 / nullif(clamps_known, 0) AS clamped,
  poisson_low(left_on) * 144000 / nullif(clamps_known, 0) AS clamped_low,
  poisson_high(left_on) * 144000 / nullif(clamps_known, 0) AS clamped_high,
  on_mains / nullif(power_known, 0) AS mains,
  suspected AS occluded_count,
  drains_suspected AS occluded_drains,
  annotated AS occluded_noted,
  against_log AS occluded_against,
  drains_assessed AS occluded_of,
  assessed / 1440 AS occluded_days,
  suspected * 144000 / nullif(assessed, 0) AS occluded,
  poisson_low(suspected) * 144000 / nullif(assessed, 0) AS occluded_low,
  poisson_high(suspected) * 144000 / nullif(assessed, 0) AS occluded_high
FROM wards
INNER JOIN suspicions
  ON wards.site = suspicions.site AND wards.unit IS NOT DISTINCT FROM suspicions.unit
ORDER BY wards.site, wards.unit
"""
_LIMITS = """
SELECT
  figure('handling.alert_long') AS alert_long,
  figure('handling.clamp_long') AS clamp_long,
  figure('handling.alarm_apart') AS alarm_apart,
  figure('handling.occlusion_apart') AS occlusion_apart,
  figure('tilted.limit') AS tilt,
  figure('suction_shortfall.absolute') AS short_by,
  figure('suction_shortfall.relative') AS short_share,
  figure('suction_shortfall.least') AS short_least,
  figure('chart.least_evaluable') AS enough
"""


@dataclass(frozen=True)
class _Measure:
    name: str
    title: str
    axis: str
    caption: str
    counted: bool


def handling_by_ward(ask: Ask) -> Section:
    """
    Tilt, pauses, shortfall of suction, alerts left to ring, clamps left on and suspected occlusions, each per
    time that could tell.

    Parameters
    ----------
    ask
        Reads `handling`, `suspected_occlusions`, `alarm` and the definitions' figures.
    """
    wards = ask(_WARDS).with_columns(ward())
    parts: list[Markup] = []
    if wards.height:
        limits = ask(_LIMITS).row(0, named=True)
        parts = [_shown(wards, measure, limits["enough"]) for measure in _measures(limits)]
        parts += [*ward_tables(wards), alerts_by_kind(ask)]
    note = (
        f"Charts of the first {MOST_WARDS} wards by name; the table has all."
        if wards.height > MOST_WARDS
        else ""
    )
    return Section(
        "handling",
        "Handling, ward by ward",
        render("parts.html.j2", note=note, parts=parts, empty="No drain yet."),
        "Where are drains tilted, paused, short of suction, left ringing or left clamped, and so what is "
        "worth teaching where?",
        "Wards are in the order of their names, not ranked. A ward whose patients walk tilts more, and "
        "walking is good for them; a ward that answers alerts quickly may have more of them. Nothing here "
        "is about a person. A few drains can make a ward's figure: look at how many days stand behind it. "
        "Where a log does not tell, the figure is not known, which is not nought.",
    )


def _measures(limits: Mapping[str, float | None]) -> list[_Measure]:
    long_alert, long_clamp = (
        f"longer than {v:g} minutes" if v is not None else "too long"
        for v in (limits["alert_long"], limits["clamp_long"])
    )
    tilt, apart = limits["tilt"], limits["occlusion_apart"]
    lean = "" if tilt is None else f"tilted more than {tilt:g}°, "
    silent = limits["alarm_apart"]
    silences = "" if silent is None else f" (silences of less than {silent:g} minutes do not end one)"
    pieces = "" if apart is None else f" (pieces less than {apart:g} minutes apart are one)"
    return [
        _Measure(
            "tilted",
            "Tilted",
            "minutes tilted per drain-day",
            f"Minutes {lean}in which a reading of the fluid is not to be trusted, per 24 hours of tilt read.",
            False,
        ),
        _Measure(
            "paused",
            "Suction paused",
            "minutes paused per drain-day",
            "Minutes of suction paused by staff, per 24 hours whose log says what the device was doing.",
            False,
        ),
        _Measure(
            "short",
            "Short of suction",
            "minutes short of suction per drain-day",
            f"Minutes of running in which the ordered suction was not reached{_short(limits)}, per 24 hours "
            "with both pressures read.",
            False,
        ),
        _Measure(
            "ringing",
            "Alarms left ringing",
            "alarms left ringing per 100 drain-days",
            f"Alarms that rang {long_alert}{silences}, per 100 days whose log tells of alerts, a shared "
            "device once; with exact 95 % intervals, too narrow where a few drains have many.",
            True,
        ),
        _Measure(
            "clamped",
            "Clamps left on",
            "clamps left on per 100 drain-days",
            f"Clamps that nobody noted and that lasted {long_clamp}, per 100 days; with exact 95 % "
            "intervals. A line that was never opened again is not among them.",
            True,
        ),
        _Measure(
            "occluded",
            "Occlusion suspected",
            "suspected occlusions per 100 drain-days",
            f"Suspected occlusions of any grade{pieces}, per 100 days of drains whose tidaling could be "
            "assessed (n; those that share a device are one); with exact 95 % intervals, too narrow where "
            "a few drains have many. What is suspected is that something shuts the line, and a clamp that "
            "nobody noted looks like a clot. A suspicion is a reason to look: missing tidaling has several "
            "causes, a sealed and expanded lung among them.",
            True,
        ),
    ]


def _short(limits: Mapping[str, float | None]) -> str:
    by, share, least = limits["short_by"], limits["short_share"], limits["short_least"]
    if by is None or share is None or least is None:
        return ""
    return f" by {by:g} cm[H2O] or {share:g} % of it, whichever is more, for at least {least:g} minutes"


def _shown(wards: pl.DataFrame, measure: _Measure, enough: float | None) -> Markup:
    name = measure.name
    behind = pl.col(f"{name}_days").fill_null(0)
    of = pl.col(f"{name}_of") if f"{name}_of" in wards.columns else pl.col("drains")
    told = (
        pl.when(of < pl.col("drains")).then(pl.format("{} of {}", of, "drains")).otherwise(of.cast(pl.String))
    )
    days = pl.format("{} days of {} drains", behind.round(0).cast(pl.Int64), told)
    rows = wards.head(MOST_WARDS).with_columns(
        few=pl.min_horizontal(behind, of) < (enough or 0),
        n=pl.format("n {} days, {} drains", behind.round(1), told),
    )
    if rows[name].null_count() == rows.height:
        return render(
            "site.html.j2",
            site=measure.title,
            body=Markup("<p class='unknown'>Not known: no log here tells.</p>"),
        )
    number = pl.col(name).round(1)
    if measure.counted:
        bounds = [pl.col(f"{name}_{end}").round(1) for end in ("low", "high")]
        shown = rows.with_columns(
            number,
            *bounds,
            said=pl.format("{} ({} in all)", number, f"{name}_count"),
            band=pl.format("{} to {}", *bounds),
            of=days,
        )
        tips = {"ward": "ward", "said": measure.axis, "band": "95 % interval", "of": "standing on"}
        chart = spans(
            shown,
            "ward",
            name,
            measure.axis,
            tips,
            low=f"{name}_low",
            high=f"{name}_high",
            small="few",
            below="n",
            top=_top(shown, name),
        )
    else:
        shown = rows.with_columns(number, said=pl.format("{}", number), of=days)
        tips = {"ward": "ward", "said": measure.axis, "of": "standing on"}
        chart = spans(shown, "ward", name, measure.axis, tips, small="few", below="n")
    few = few_drawn_open(enough, rows, "few", "drains or drain-days")
    drawing = figure(f"handling-{name}", chart, _told(rows, measure), measure.caption + few)
    return render("site.html.j2", site=measure.title, body=drawing)


def _top(rows: pl.DataFrame, name: str) -> float | None:
    """Where the axis ends: with every figure, and the intervals of wards with enough, else the narrowest."""
    highs = rows.filter(~pl.col("few"))[f"{name}_high"].drop_nulls().to_list()
    highs = highs or rows[f"{name}_high"].drop_nulls().sort().head(1).to_list()
    reach = max([*highs, *rows[name].drop_nulls().to_list()], default=0.0)
    return 1.05 * reach if reach else None


def _told(rows: pl.DataFrame, measure: _Measure) -> str:
    said = [
        f"{place} {value:.1f}" if value is not None else f"{place} not known"
        for place, value in rows.select("ward", measure.name).head(10).iter_rows()
    ]
    more = f", and {rows.height - 10} wards more" if rows.height > 10 else ""
    return f"{measure.axis}, by ward: ".capitalize() + "; ".join(said) + more + "."
