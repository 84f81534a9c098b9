"""Views of the published database, and the curves that are laid beside them."""

from __future__ import annotations

from dataclasses import replace

from schemas.lake import AGAINST_LOG, ANNOTATIONS
from schemas.published import DRAIN_ID
from schemas.rates import (
    CHART_RULE,
    COUNTED,
    EVALUABLE,
    PROLONGED_LEAK_CHART,
    PROLONGED_LEAK_COUNTED,
    PROLONGED_LEAK_FUNNEL,
    PROLONGED_LEAK_RATE,
    PROLONGED_N,
    UNKNOWN_N,
)
from schemas.table import COUNT, FLAG, INSTANT, REAL, TEXT, TEXTS, WHOLE, Column, Table, words_of
from schemas.vocabulary import State, TidalingBasis, Verdict
from schemas.wards import (
    ALARM,
    ALERT_CLEARING,
    DEVICE_USE,
    DRAIN_COUNTED_AS,
    HANDLING,
    REMOVAL_DELAY,
    SUSPECTED_OCCLUSIONS,
)

MINUTE_VIEW = Table(
    "minute",
    "One row a minute of a drain, read from the lake's files as they were at publishing.",
    (
        DRAIN_ID,
        Column("minute", INSTANT, "Start of the minute, UTC."),
        Column("state", TEXT, "What the device was doing; null: no data.", words=words_of(State)),
        Column("set_pressure_cmh2o", REAL, "Ordered pressure; suction is negative.", "cm[H2O]"),
        Column("pressure_mean_cmh2o", REAL, "Mean pressure.", "cm[H2O]"),
        Column("pressure_min_cmh2o", REAL, "Least pressure.", "cm[H2O]"),
        Column("pressure_max_cmh2o", REAL, "Greatest pressure.", "cm[H2O]"),
        Column("air_leak_ml_min", REAL, "Mean air leak.", "mL/min"),
        Column("output_ml", REAL, "Fluid since the drain began as last read, never falling.", "mL"),
        Column(
            "volume_read",
            FLAG,
            "Whether the minute has an accepted canister reading; if not, `output_ml` is an older one.",
        ),
        Column("tilt_deg", REAL, "Angle from upright.", "deg"),
        Column("tidaling", TEXT, "Tidaling verdict.", words=words_of(Verdict)),
        Column("tidaling_basis", TEXT, "What the verdict rests on.", words=words_of(TidalingBasis)),
        Column("swing_cmh2o", REAL, "Swing of the breath.", "cm[H2O]"),
        Column("breath_rate_per_min", REAL, "Breath rate.", "/min"),
        Column(
            "flags",
            TEXTS,
            "Kinds of the periods in force at this minute; those that rest on a note: see `annotations`. "
            "`leak` where it is on: not at every minute of a `leak` of period, which joins stretches up to "
            "hours apart (leak.join_below).",
        ),
        replace(ANNOTATIONS, nullable=True),
        replace(AGAINST_LOG, nullable=True),
        Column("leak_median_ml_min", REAL, "Median leak over the assessable minutes around.", "mL/min"),
        Column("utc_offset_minutes", COUNT, "What the site's local time was ahead of UTC.", "min"),
        Column("clock_step", FLAG, "Whether a clock step lies just before the minute."),
        Column(
            "clock_step_minutes",
            COUNT,
            "How far that step moved the log's time against its counter; negative: back; null: unknown.",
            "min",
        ),
    ),
)

_CURVE: tuple[Column, ...] = (
    Column("site", TEXT, "Site; null: all sites."),
    Column("hours", REAL, "Hours since the origin.", "h"),
    Column(
        "at_risk",
        WHOLE,
        "Operations (drains where patients are not known) still watched and leaking just before.",
    ),
    Column("ended", WHOLE, "Leaks that ended at that time."),
    Column(
        "censored",
        WHOLE,
        "Those that left our sight at that time; those `competing`, where it stands, not among them.",
    ),
)

LEAK_SURVIVAL = Table(
    "leak_survival",
    "Kaplan-Meier curve of leak duration, by site and overall, with late entry.",
    (
        *_CURVE,
        Column("still_leaking", REAL, "Estimated share still leaking.", "1"),
        Column("low", REAL, "Lower 95 % bound (log-log); null where it is 0 or 1.", "1"),
        Column("high", REAL, "Upper 95 % bound (log-log); null where it is 0 or 1.", "1"),
    ),
)

LEAK_INCIDENCE = Table(
    "leak_incidence",
    "Cumulative incidence of leak end (Aalen-Johansen), with death and transfer as competing events.",
    (
        *_CURVE,
        Column("competing", WHOLE, "Died or were transferred with the drain at that time while leaking."),
        Column("still_leaking", REAL, "Share neither ended nor met by a competing event.", "1"),
        Column("incidence", REAL, "Cumulative incidence of leak end.", "1"),
        Column("low", REAL, "Lower 95 % bound of the incidence; null where it is 0 or 1.", "1"),
        Column("high", REAL, "Upper 95 % bound of the incidence; null where it is 0 or 1.", "1"),
    ),
)

_DEFINITION = Column("definition", TEXT, "Name of the definition.")
_RATE: tuple[Column, ...] = (
    COUNTED,
    EVALUABLE,
    PROLONGED_N,
    UNKNOWN_N,
    Column("rate", REAL, "prolonged / evaluable: unknowns left out; null where none is evaluable.", "1"),
    Column("rate_low", REAL, "Lower 95 % bound (Wilson).", "1"),
    Column("rate_high", REAL, "Upper 95 % bound (Wilson).", "1"),
    Column("rate_if_unknown_no", REAL, "Rate if every unknown were a no.", "1"),
    Column("rate_if_unknown_yes", REAL, "Rate if every unknown were a yes.", "1"),
)

LEAK_AT_THRESHOLD = Table(
    "leak_at_threshold",
    "What the curves of leak duration say of the definition's threshold, by definition, by site and overall.",
    (
        Column("definition", TEXT, "Name of the definition.", nullable=False),
        Column("site", TEXT, "Site; null: all sites."),
        Column("hours", REAL, "The threshold, since the origin; null for one by the calendar.", "h"),
        Column("watched", WHOLE, "Operations or drains in the curves."),
        Column("kaplan_meier", REAL, "Share still leaking just after it; deaths are censoring.", "1"),
        Column("kaplan_meier_low", REAL, "Lower 95 % bound (log-log); null where it is 0 or 1.", "1"),
        Column("kaplan_meier_high", REAL, "Upper 95 % bound (log-log); null where it is 0 or 1.", "1"),
        Column("still_leaking", REAL, "Share still leaking, with death and transfer competing.", "1"),
        Column("still_leaking_low", REAL, "Lower 95 % bound (log-log); null where it is 0 or 1.", "1"),
        Column("still_leaking_high", REAL, "Upper 95 % bound (log-log); null where it is 0 or 1.", "1"),
        Column("incidence", REAL, "Cumulative incidence of the leak's end by then (Aalen-Johansen).", "1"),
        Column("incidence_low", REAL, "Lower 95 % bound; null where it is 0 or 1.", "1"),
        Column("incidence_high", REAL, "Upper 95 % bound; null where it is 0 or 1.", "1"),
        Column("competing_incidence", REAL, "Cumulative incidence of death or transfer while leaking.", "1"),
    ),
)

LEAK_SENSITIVITY = Table(
    "leak_sensitivity",
    "How the prolonged-leak rate moves with the definition, with each judgement in it, and with what is made "
    "of the unknown: one row a definition (the published one first) and site.",
    (
        _DEFINITION,
        Column("moved", TEXT, "Which figure of the published definition was moved; null: none."),
        Column("site", TEXT, "Site; null: all sites."),
        *_RATE,
        *(LEAK_AT_THRESHOLD.column(name) for name in LEAK_AT_THRESHOLD.names[2:]),
    ),
)

_GROUPED_BY = Column("grouped_by", TEXT, "The column that makes the groups; all: nothing.", nullable=False)

LEAK_BY_STRATUM = Table(
    "leak_by_stratum",
    "Prolonged-leak rate and leak duration by group, for each registry column that is published.",
    (
        _GROUPED_BY,
        Column("stratum", TEXT, "The group; null: not recorded."),
        *_RATE,
        Column("watched", WHOLE, "Operations or drains in the curve of duration."),
        Column("ended", WHOLE, "Of them, leaks seen to end."),
        Column("died_or_transferred", WHOLE, "Of them, died or transferred while leaking."),
        Column("median_hours", REAL, "Median duration (Kaplan-Meier); null: not reached.", "h"),
        Column("median_low_hours", REAL, "Lower 95 % bound (Brookmeyer-Crowley, log-log).", "h"),
        Column("median_high_hours", REAL, "Upper 95 % bound; null: not reached.", "h"),
        Column("mean_hours", REAL, "Mean duration restricted to 7 days; null where not watched so far.", "h"),
        Column("mean_low_hours", REAL, "Lower 95 % bound.", "h"),
        Column("mean_high_hours", REAL, "Upper 95 % bound.", "h"),
    ),
)

LEAK_COMPARISON = Table(
    "leak_comparison",
    "Log-rank test of leak duration between the groups of each published registry column.",
    (
        _GROUPED_BY,
        Column("groups", WHOLE, "Groups with somebody watched; not recorded is no group."),
        Column("watched", WHOLE, "Operations or drains in them."),
        Column("chi_square", REAL, "Log-rank statistic; null where nothing can be compared.", "1"),
        Column("degrees", WHOLE, "Degrees of freedom."),
        Column("p_value", REAL, "Chance of as great a difference if there were none.", "1"),
    ),
)

VIEWS: tuple[Table, ...] = (
    MINUTE_VIEW,
    PROLONGED_LEAK_COUNTED,
    PROLONGED_LEAK_RATE,
    PROLONGED_LEAK_CHART,
    PROLONGED_LEAK_FUNNEL,
    CHART_RULE,
    LEAK_SURVIVAL,
    LEAK_INCIDENCE,
    LEAK_AT_THRESHOLD,
    LEAK_SENSITIVITY,
    LEAK_BY_STRATUM,
    LEAK_COMPARISON,
    REMOVAL_DELAY,
    DRAIN_COUNTED_AS,
    ALARM,
    HANDLING,
    ALERT_CLEARING,
    SUSPECTED_OCCLUSIONS,
    DEVICE_USE,
)
