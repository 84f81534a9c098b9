"""What was done with drains on the wards, and what the devices did."""

from __future__ import annotations

from schemas.published import SITE_NAME, UNIT
from schemas.rates import MONTH
from schemas.table import COUNT, DAY, FLAG, INSTANT, REAL, TEXT, WHOLE, Column, Table

REMOVAL_DELAY = Table(
    "removal_delay",
    "Hours between ready and removed, by unit, month and rule. Medians of months cannot be added up: for "
    "those of several months go back to readiness and drain.",
    (
        SITE_NAME,
        UNIT,
        MONTH,
        Column("rule", TEXT, "Name of the rule."),
        Column("drains", COUNT, "Drains whose removal is known."),
        Column("ready", WHOLE, "Of them, ready before removal."),
        Column("removed_before_ready", WHOLE, "Of them, removed before the rule held."),
        Column("untold", WHOLE, "Of them, those of which neither can be told."),
        Column("delay_median_hours", REAL, "Median hours between ready and removed.", "h"),
        Column("delay_p90_hours", REAL, "90th percentile.", "h"),
    ),
)

HANDLING = Table(
    "handling",
    "How drains are handled, by unit and month, per day of the minutes that could tell. Two drains on one "
    "device use count its minutes and alerts each; alarms count once.",
    (
        SITE_NAME,
        UNIT,
        MONTH,
        Column("drains", COUNT, "Drains, every one."),
        Column("drain_days", REAL, "Days observed.", "d"),
        Column("tilted_minutes_per_day", REAL, "Minutes tilted per day of tilt read.", "min/d"),
        Column("pause_minutes_per_day", REAL, "Minutes paused per day of state known.", "min/d"),
        Column(
            "shortfall_minutes_per_day", REAL, "Minutes short of suction per day of suction read.", "min/d"
        ),
        Column("alerts_per_day", REAL, "Alerts per day of alerts told.", "/d"),
        Column("minutes_to_clear_median", REAL, "Median minutes until an alarm was cleared.", "min"),
        Column("mains_share", REAL, "Share of known minutes on mains power.", "1"),
        Column("minutes_observed", WHOLE, "Minutes with a row in a log.", "min"),
        Column("tilted_minutes", WHOLE, "Minutes tilted; null: tilt never read.", "min"),
        Column("tilt_known_minutes", WHOLE, "Minutes in which the tilt was read.", "min"),
        Column("pause_minutes", WHOLE, "Minutes paused; null: never said.", "min"),
        Column("state_known_minutes", WHOLE, "Minutes whose log says what the device was doing.", "min"),
        Column("suction_shortfall_minutes", WHOLE, "Minutes short of suction; null: never read.", "min"),
        Column("suction_known_minutes", WHOLE, "Minutes running with both pressures read.", "min"),
        Column("alert_count", WHOLE, "Alerts; null: the logs do not say."),
        Column("alerts_known_minutes", WHOLE, "Minutes whose log says whether an alert rang.", "min"),
        Column("alarm_count", WHOLE, "Alarms (see alarm); null: the logs do not say."),
        Column("alarms_known_minutes", WHOLE, "The same minutes, those of a shared device use once.", "min"),
        Column("alerts_left_ringing", WHOLE, "Alarms that rang for longer than handling.alert_long."),
        Column(
            "clamps_left_on",
            WHOLE,
            "Clamps nobody noted that lasted longer than handling.clamp_long; null: stops could not be seen.",
        ),
        Column("mains_minutes", WHOLE, "Minutes on mains power; null: never said.", "min"),
        Column("power_known_minutes", WHOLE, "Minutes for which the power supply is known.", "min"),
    ),
)

DRAIN_COUNTED_AS = Table(
    "drain_counted_as",
    "At which drain the events of each are counted where those of a shared device count once.",
    (
        Column("drain_id", TEXT, "Drain."),
        Column("counted_id", TEXT, "Drain it is counted at: itself, or the first of those that share."),
        Column("counted_once", FLAG, "Whether it shares a device use with another drain."),
    ),
)

ALARM = Table(
    "alarm",
    "One row an alarm: alerts of a code with less than handling.alarm_apart between them are one, and those "
    "of a shared device count once.",
    (
        Column("drain_id", TEXT, "Drain; of those that share the device, the first."),
        SITE_NAME,
        UNIT,
        MONTH,
        Column("code", TEXT, "Alert code, or other:<site's code>."),
        Column("started_at", INSTANT, "First minute it rang."),
        Column("ended_at", INSTANT, "End (exclusive)."),
        Column("alerts", WHOLE, "Alerts it is made of."),
        Column("minutes", COUNT, "From its first minute to the last heard.", "min"),
        Column("minutes_to_clear", COUNT, "The same; null if it was not seen whole.", "min"),
        Column("is_left_ringing", FLAG, "Whether it rang for longer than handling.alert_long."),
    ),
)

ALERT_CLEARING = Table(
    "alert_clearing",
    "How alerts are dealt with, by unit, month and code; only codes that rang have rows. Alerts that belong "
    "together are one, as in alarm.",
    (
        SITE_NAME,
        UNIT,
        MONTH,
        Column("code", TEXT, "Alert code, or other:<site's code>."),
        Column("alerts", WHOLE, "Alarms, see alarm."),
        Column("drains", COUNT, "Drains they rang on."),
        Column("cleared", WHOLE, "Of them, seen to begin and end."),
        Column("not_seen_to_clear", WHOLE, "Of them, those not seen whole: the log breaks off or ends."),
        Column("left_ringing", WHOLE, "Of them, those that rang for longer than handling.alert_long."),
        Column("minutes_to_clear_median", REAL, "Median of those seen to end.", "min"),
        Column("minutes_to_clear_p90", REAL, "90th percentile of those seen to end.", "min"),
    ),
)

SUSPECTED_OCCLUSIONS = Table(
    "suspected_occlusions",
    "Suspected occlusions per 100 drain-days, by unit and month, with exact Poisson interval.",
    (
        SITE_NAME,
        UNIT,
        MONTH,
        Column("drains", COUNT, "Drains, every one."),
        Column(
            "drains_assessed",
            WHOLE,
            "Those whose tidaling could be assessed; drains that share a device use count as one.",
        ),
        Column("drains_suspected", WHOLE, "Of the assessed, those with a suspicion."),
        Column(
            "assessed_minutes",
            WHOLE,
            "Minutes observed of the drains assessed; those of a shared device use once.",
            "min",
        ),
        Column("drain_days", REAL, "The same in days.", "d"),
        Column(
            "suspected",
            WHOLE,
            "Events of suspected occlusion, of any grade; pieces less than handling.occlusion_apart apart, "
            "or on either side of a change of device, are one.",
        ),
        Column("probable", WHOLE, "Of them, grade probable: an alert or a still pressure agrees."),
        Column(
            "annotated", WHOLE, "Of them, noted by staff, at least in part; none of these is in probable."
        ),
        Column(
            "annotated_against_log",
            WHOLE,
            "Of the annotated, those in which the log shows air or breath though a note says that nothing "
            "passes; see annotation.",
        ),
        Column("suspected_per_100_days", REAL, "Events per 100 days.", "/(100.d)"),
        Column(
            "per_100_days_low",
            REAL,
            "Lower 95 % bound (Garwood), as if events were independent.",
            "/(100.d)",
        ),
        Column(
            "per_100_days_high",
            REAL,
            "Upper 95 % bound (Garwood), as if events were independent.",
            "/(100.d)",
        ),
    ),
)

DEVICE_USE = Table(
    "device_use",
    "What each device did, by month.",
    (
        SITE_NAME,
        Column("device", TEXT, "Serial of the drain."),
        Column("month", DAY, "First day of the local month in which it happened."),
        Column("uses", COUNT, "Uses that began."),
        Column("hours", REAL, "Hours observed.", "h"),
        Column("alerts", WHOLE, "Alerts that began; null: the logs do not say."),
        Column("failed_checks", WHOLE, "Failed self-checks; null: the logs do not say."),
        Column("battery_low", WHOLE, "Battery-low alerts; null: the logs do not say."),
    ),
)
