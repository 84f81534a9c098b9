"""What `whatif` says of a removal rule: one row a rule."""

from __future__ import annotations

from schemas.published import READINESS
from schemas.table import REAL, TEXT, WHOLE, Column, Table

EVENTS = {
    "reinserted": "a drain was put in again",
    "pneumothorax": "there was a pneumothorax",
    "readmitted": "the patient was readmitted",
}

RULE_FIGURES = (
    "leak_at_most",
    "leak_hours",
    "excursion_minutes",
    "excursion_up_to",
    "output_at_most",
    "output_hours",
    "tidaling_within_hours",
    "completeness_at_least",
    "earliest_hours",
)
_UNITS = {
    "leak_at_most": "mL/min",
    "leak_hours": "h",
    "excursion_minutes": "min",
    "excursion_up_to": "mL/min",
    "output_at_most": "mL",
    "output_hours": "h",
    "tidaling_within_hours": "h",
    "completeness_at_least": "1",
    "earliest_hours": "h",
}


def _share(name: str, what: str) -> tuple[Column, ...]:
    return (
        Column(f"{name}_share", REAL, f"{what}; null of none.", "1"),
        Column(f"{name}_low", REAL, "Lower 95 % bound (Wilson).", "1"),
        Column(f"{name}_high", REAL, "Upper 95 % bound (Wilson).", "1"),
    )


def _quartiles(name: str, what: str) -> tuple[Column, ...]:
    return (
        Column(f"{name}_p25", REAL, f"{what}, lower quartile.", "h"),
        Column(f"{name}_median", REAL, f"{what}, median.", "h"),
        Column(f"{name}_p75", REAL, f"{what}, upper quartile.", "h"),
    )


def _event(name: str, what: str) -> tuple[Column, ...]:
    found: tuple[Column, ...] = ()
    for group, those in (("before", "drains removed before the rule held"), ("after", "drains ready before")):
        key = f"{name}_{group}_ready"
        found += (
            Column(f"{key}_told", WHOLE, f"Of {those} removal, those whose registry tells."),
            Column(key, WHOLE, f"Of them, {what} afterwards."),
            *_share(key, "Their share"),
        )
    return found


FOLLOWED = Table(
    "followed",
    "READINESS with the times that a curve of the leak's return needs.",
    (
        *READINESS.columns,
        Column("returned_after_minutes", WHOLE, "Ready to the leak being back; null: not seen.", "min"),
        Column("followed_minutes", WHOLE, "Ready to where it was last watched; null: never ready.", "min"),
    ),
    key=READINESS.key,
)

WHATIF = Table(
    "whatif",
    "One row a removal rule: how it would have done over the drains. No rule is a recommendation.",
    (
        Column("rule", TEXT, "Name of the rule.", nullable=False),
        Column("title", TEXT, "What it asks, in words.", nullable=False),
        *(Column(name, REAL, "Figure of the rule; null: not asked.", _UNITS[name]) for name in RULE_FIGURES),
        Column("drains", WHOLE, "Drains looked at."),
        Column("ready", WHOLE, "Of them, ever ready while watched."),
        *_share("ready", "Share ready"),
        *_quartiles("ready_after_hours", "Origin to ready"),
        Column("removed_after_ready", WHOLE, "Drains ready before their tube came out."),
        *_quartiles("hours_to_removal", "Ready to removal"),
        Column("hours_to_removal_total", REAL, "All hours from ready to removal.", "h"),
        Column("removal_told", WHOLE, "Drains of which it can be told whether they left before ready."),
        Column("removed_before_ready", WHOLE, "Of them, removed before the rule held."),
        *_share("removed_before_ready", "Share removed before ready"),
        Column("watched_fully", WHOLE, "Of those ready, watched for the 24 h after."),
        Column("watched_partly", WHOLE, "Watched for part of them."),
        Column("watched_not", WHOLE, "Not watched."),
        Column("leak_back", WHOLE, "Of those watched fully or partly, the leak was seen to come back."),
        Column("leak_back_partly", WHOLE, "Of them, watched partly."),
        Column(
            "leak_back_share",
            REAL,
            "Estimate for all ready: Kaplan-Meier at 24 h; null where nobody was watched so far.",
            "1",
        ),
        Column("leak_back_low", REAL, "Lower 95 % bound (Wilson, effective number).", "1"),
        Column("leak_back_high", REAL, "Upper 95 % bound (Wilson, effective number).", "1"),
        Column("leak_back_if_unknown_no", REAL, "Share of all ready, if none unseen came back.", "1"),
        Column("leak_back_if_unknown_yes", REAL, "Share of all ready, if every unseen one came back.", "1"),
        *(column for name, what in EVENTS.items() for column in _event(name, what)),
    ),
    key=("rule",),
)
