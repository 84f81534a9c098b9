"""What prolonged-leak rates count, the rates, and the charts drawn from them."""

from __future__ import annotations

from schemas.published import PROCEDURE, PROLONGED, SITE_NAME, UNIT
from schemas.table import COUNT, DAY, FLAG, REAL, TEXT, WHOLE, Column, Table

MONTH = Column("month", DAY, "First day of the local month of the origin.")
COUNTED = Column("counted", WHOLE, "Operations where patients are known, drains where not.")
EVALUABLE = Column("evaluable", WHOLE, "Counted with a yes or a no.")
PROLONGED_N = Column("prolonged", WHOLE, "Counted with a yes.")
UNKNOWN_N = Column("unknown", WHOLE, "Counted with an unknown; never in the rate.")

PROVISIONAL = Column("provisional", FLAG, "Some have not had their 120 h in the logs of their site yet.")
MONTH_PROVISIONAL = Column(
    "provisional",
    FLAG,
    "The site's own logs do not yet reach 120 h past the month's end: some have not had their 120 h, or more "
    "may come. Of rows put together: as long as one of them is.",
)

PROLONGED_LEAK_COUNTED = Table(
    "prolonged_leak_counted",
    "What prolonged-leak rates count: one row an operation, or a drain where patients are not known.",
    (
        Column("counted_id", TEXT, "Pseudonym of the operation, or of the drain.", nullable=False),
        SITE_NAME,
        UNIT,
        PROCEDURE,
        MONTH,
        Column("drains", COUNT, "Drains behind it."),
        PROLONGED,
        Column("had_its_time", FLAG, "Whether the site's own logs reach past the definition's time."),
        Column("month_complete", FLAG, "Whether they reach past that time after the end of the month."),
    ),
)

PROLONGED_LEAK_RATE = Table(
    "prolonged_leak_rate",
    "Prolonged air leak rate by site, unit, procedure and local month of the origin. A ward's month is as "
    "many rows as it had procedures: add up counts, never rates, as sum(prolonged) / sum(evaluable) with "
    "wilson_low(sum(prolonged), sum(evaluable)).",
    (
        SITE_NAME,
        UNIT,
        PROCEDURE,
        MONTH,
        COUNTED,
        Column("drains", COUNT, "Drains behind them."),
        EVALUABLE,
        PROLONGED_N,
        UNKNOWN_N,
        Column("rate", REAL, "prolonged / evaluable; null where none is evaluable.", "1"),
        Column("rate_low", REAL, "Lower 95 % bound (Wilson).", "1"),
        Column("rate_high", REAL, "Upper 95 % bound (Wilson).", "1"),
        Column("rate_if_unknown_no", REAL, "Rate if every unknown were a no.", "1"),
        Column("rate_if_unknown_yes", REAL, "Rate if every unknown were a yes.", "1"),
        MONTH_PROVISIONAL,
    ),
)

_LIMITS_FROM = "99.8 % limit (exact binomial); null without a centre between 0 and 1."
_TOO_SMALL = Column(
    "too_small", FLAG, "Fewer evaluable than chart.least_evaluable, or no count at all could be outside."
)

PROLONGED_LEAK_CHART = Table(
    "prolonged_leak_chart",
    "p-chart of the prolonged-leak rate by site and month: a frozen baseline, exact limits for each month's "
    "own number, no run rules.",
    (
        SITE_NAME,
        MONTH,
        COUNTED,
        EVALUABLE,
        PROLONGED_N,
        UNKNOWN_N,
        Column("rate", REAL, "prolonged / evaluable; null where none is evaluable.", "1"),
        Column("centre", REAL, "Rate of the site's baseline that holds for the month.", "1"),
        Column("limit_low", REAL, f"Lower {_LIMITS_FROM}", "1"),
        Column("limit_high", REAL, f"Upper {_LIMITS_FROM}", "1"),
        Column("outside", FLAG, "Whether the rate lies beyond its limits; null: provisional, or no limits."),
        MONTH_PROVISIONAL,
        _TOO_SMALL,
        Column(
            "baseline",
            TEXT,
            "How the baseline came about: set in baselines.toml, or the first complete months; forming: not "
            "all of its months are there and complete.",
            words=("set", "first_months", "forming"),
        ),
        Column("baseline_from", DAY, "First month of the baseline."),
        Column("baseline_through", DAY, "Last month of the baseline."),
        Column("baseline_evaluable", WHOLE, "Evaluable in the baseline's complete months."),
        Column("baseline_prolonged", WHOLE, "Of them, prolonged."),
        Column(
            "baseline_too_small",
            FLAG,
            "Fewer evaluable than chart.least_baseline: limits about a centre nobody knows well.",
        ),
        Column("in_baseline", FLAG, "Whether the month is part of the baseline it is held against."),
    ),
)

PROLONGED_LEAK_FUNNEL = Table(
    "prolonged_leak_funnel",
    "Funnel of the prolonged-leak rate by unit, with exact binomial limits around the overall rate.",
    (
        SITE_NAME,
        UNIT,
        COUNTED,
        EVALUABLE,
        PROLONGED_N,
        UNKNOWN_N,
        Column("rate", REAL, "prolonged / evaluable; null where none is evaluable.", "1"),
        Column("centre", REAL, "Rate over all units of all sites.", "1"),
        Column("limit_95_low", REAL, "Lower 95 % limit.", "1"),
        Column("limit_95_high", REAL, "Upper 95 % limit.", "1"),
        Column("limit_998_low", REAL, "Lower 99.8 % limit.", "1"),
        Column("limit_998_high", REAL, "Upper 99.8 % limit.", "1"),
        Column("outside_95", FLAG, "Whether the rate lies beyond the 95 % limits; null: no limits."),
        Column("outside_998", FLAG, "Whether the rate lies beyond the 99.8 % limits; null: no limits."),
        PROVISIONAL,
        _TOO_SMALL,
    ),
)

CHART_RULE = Table(
    "chart_rule",
    "Rules that prolonged_leak_signals can apply to the chart; the first is its default.",
    (
        Column("rule", TEXT, "Name of the rule."),
        Column("meaning", TEXT, "When it marks a month."),
        Column("source", TEXT, "Where it is from."),
    ),
)
