"""The drain, the operation and what is counted of them."""

from __future__ import annotations

from schemas.published.columns import DRAIN_ID, PROCEDURE, PROLONGED, REASON, SITE_NAME, UNIT
from schemas.table import COUNT, DAY, FLAG, INSTANT, REAL, TEXT, Column, Table, words_of
from schemas.vocabulary import RemovalReason, Side

DRAIN = Table(
    "drain",
    "One row a drain: a tube in one patient, from in to out. Without a registry one device use is one drain.",
    (
        DRAIN_ID,
        Column("operation_id", TEXT, "Pseudonym of patient, side and day of origin; null if unlinked."),
        SITE_NAME,
        UNIT,
        PROCEDURE,
        Column("side", TEXT, "Side of the chest.", words=words_of(Side)),
        Column("tube_french", REAL, "French gauge.", "[Ch]"),
        Column("linked", FLAG, "Whether a registry row stands behind the drain.", nullable=False),
        Column(
            "shared_use",
            FLAG,
            "Whether a device use serves this and another drain of the patient.",
            nullable=False,
        ),
        Column("started_at", INSTANT, "First minute observed; null where no log was found."),
        Column("ended_at", INSTANT, "Last minute observed; null where no log was found."),
        Column("tube_in_at", INSTANT, "Tube in, from the registry."),
        Column("tube_out_at", INSTANT, "Tube out, from the registry."),
        Column("procedure_end_at", INSTANT, "End of surgery, from the registry."),
        Column(
            "origin_at", INSTANT, "Where durations begin: end of procedure; else tube in; else first minute."
        ),
        Column("origin_day", DAY, "Local calendar day of the origin; its month is the drain's month."),
        Column(
            "removal_reason", TEXT, "Why the tube came out, from the registry.", words=words_of(RemovalReason)
        ),
        Column("uses", COUNT, "How many device uses served it.", nullable=False),
        Column("minutes_expected", COUNT, "Tube in to out if linked, else first to last minute.", "min"),
        Column("minutes_observed", COUNT, "Minutes with a row in a log.", "min", nullable=False),
        Column("completeness", REAL, "Observed of expected, 0 to 1.", "1", least=0),
        Column("run_hours", REAL, "Time with suction running; null: never said.", "h"),
        Column("pause_hours", REAL, "Time with suction paused; null: never said.", "h"),
        Column("state_known_minutes", COUNT, "Minutes whose log says what the device was doing.", "min"),
        Column(
            "tilted_minutes",
            COUNT,
            "Minutes tilted beyond what a volume reading tolerates; null: tilt never read.",
            "min",
        ),
        Column("tilt_known_minutes", COUNT, "Minutes in which the tilt was read.", "min"),
        Column(
            "suction_shortfall_minutes",
            COUNT,
            "Minutes short of the ordered suction; null: pressures never read.",
            "min",
        ),
        Column(
            "suction_known_minutes",
            COUNT,
            "Minutes running in which the ordered and the measured pressure were read.",
            "min",
        ),
        Column(
            "line_open_minutes", COUNT, "Minutes with the line open to the room; null: not assessable.", "min"
        ),
        Column(
            "occlusion_minutes",
            COUNT,
            "Minutes of suspected occlusion, without those in which the log contradicts a note that confirms "
            "it; null: tidaling never assessable.",
            "min",
        ),
        Column(
            "output_ml",
            REAL,
            "Fluid that came while the drain was logged; null unless the volume was read to the end of what "
            "was logged. A log that breaks off before the tube came out holds that much and no more: see "
            "ended_at and tube_out_at.",
            "mL",
        ),
        Column(
            "output_first_24h_ml",
            REAL,
            "Fluid in the first 24 h after the origin; null unless watched and bracketed by readings.",
            "mL",
        ),
        Column("leak_peak_ml_min", REAL, "Greatest leak over assessable minutes.", "mL/min"),
        Column("leak_mean_ml_min", REAL, "Mean leak over assessable minutes.", "mL/min"),
        Column("leak_total_l", REAL, "Air leaked over assessable minutes.", "L"),
        Column("entered_hours", REAL, "Origin to first minute: late entry.", "h"),
        Column(
            "leak_ended_at",
            INSTANT,
            "End of the last leak as last seen on, the earliest it can be where it fell into a hole; null if "
            "ongoing, unconfirmed or never on.",
        ),
        Column(
            "leak_end_earliest_at",
            INSTANT,
            "Earliest the last leak can have ended (`leak_ended_at`); if ongoing or unconfirmed, how far it "
            "was seen.",
        ),
        Column(
            "leak_end_latest_at",
            INSTANT,
            "Latest the last leak can have ended: later than `leak_ended_at` where the end fell into a hole.",
        ),
        Column("leak_recurrences", COUNT, "Leaks after the first."),
        Column(
            "leak_hours",
            REAL,
            "Origin (end of procedure; else tube in; else first minute) to the leak's end, the earliest "
            "where it fell into a hole.",
            "h",
        ),
        Column("leak_ongoing_at_end", FLAG, "Whether the leak was on at the last assessable minute."),
        PROLONGED,
        REASON,
        Column("tidaling_present_minutes", COUNT, "Minutes with tidaling seen.", "min"),
        Column("tidaling_absent_minutes", COUNT, "Minutes in which tidaling was found absent.", "min"),
        Column("tidaling_indeterminate_minutes", COUNT, "Minutes in which it could not be told.", "min"),
        Column("tidaling_not_assessable_minutes", COUNT, "Minutes without evidence.", "min"),
        Column("tidal_swing_median_cmh2o", REAL, "Median swing over minutes with tidaling.", "cm[H2O]"),
        Column(
            "breath_rate_median_per_min",
            REAL,
            "Median breath rate over traced minutes with tidaling.",
            "/min",
        ),
        Column("canister_changes", COUNT, "Canisters changed; null: volume never read."),
        Column(
            "canister_unread_minutes",
            COUNT,
            "Minutes in all over which canisters were changed unread (see canister.unread_minutes); with "
            "more than a few, output_ml is at least so much.",
            "min",
        ),
        Column("alert_count", COUNT, "Alerts; null: the logs do not say."),
        Column("alerts_known_minutes", COUNT, "Minutes whose log says whether an alert rang.", "min"),
        Column("mains_minutes", COUNT, "Minutes on mains power; null: never said.", "min"),
        Column("battery_minutes", COUNT, "Minutes on battery; null: never said.", "min"),
    ),
    key=("drain_id",),
)

DRAIN_OUTCOME = Table(
    "drain_outcome",
    "One row a drain and definition of a prolonged leak: several definitions side by side, and the published "
    "one with a single figure moved.",
    (
        DRAIN_ID,
        Column("definition", TEXT, "Name of the definition; the first is `drain`'s.", nullable=False),
        Column("moved", TEXT, "Which figure of the published definition was moved, and to what; null: none."),
        Column("threshold_at", INSTANT, "Beyond this a leak is prolonged."),
        PROLONGED,
        REASON,
        Column("leak_hours", REAL, "Origin to the leak's earliest end under this definition.", "h"),
        Column(
            "leak_end_earliest_at",
            INSTANT,
            "Earliest the last leak can have ended; if ongoing or unconfirmed, how far it was seen.",
        ),
        Column("leak_ongoing_at_end", FLAG, "Whether the leak was on at the last assessable minute."),
    ),
    key=("drain_id", "definition"),
)

OPERATION = Table(
    "operation",
    "One row an operation: the drains of one patient, side and day of origin.",
    (
        Column("operation_id", TEXT, "Pseudonym.", nullable=False),
        SITE_NAME,
        UNIT,
        PROCEDURE,
        Column("side", TEXT, "Side of the chest.", words=words_of(Side)),
        Column("origin_at", INSTANT, "End of the procedure, else first tube in.", nullable=False),
        Column("origin_day", DAY, "Local calendar day of the origin; its month is the operation's month."),
        Column("drains", COUNT, "How many drains.", nullable=False),
        Column("leak_hours", REAL, "Longest of its drains' leaks; null where one is unknown.", "h"),
        PROLONGED,
        REASON,
    ),
    key=("operation_id",),
)

COUNTED_OUTCOME = Table(
    "counted_outcome",
    "What prolonged-leak rates count, by definition: one row an operation, or a drain where patients are not "
    "known.",
    (
        Column("definition", TEXT, "Name of the definition.", nullable=False),
        Column("moved", TEXT, "Which figure of the published definition was moved, and to what; null: none."),
        Column("counted_id", TEXT, "Pseudonym of the operation, or of the drain.", nullable=False),
        SITE_NAME,
        UNIT,
        PROCEDURE,
        Column("side", TEXT, "Side of the chest.", words=words_of(Side)),
        Column("origin_day", DAY, "Local calendar day of the origin."),
        Column("drains", COUNT, "Drains behind it.", nullable=False),
        Column("threshold_at", INSTANT, "Beyond this a leak is prolonged."),
        PROLONGED,
        REASON,
    ),
    key=("definition", "counted_id"),
)
