"""What a drain's course holds: days, flagged stretches, alerts, canisters, readiness, its uses."""

from __future__ import annotations

from schemas.published.columns import DRAIN_ID
from schemas.table import COUNT, DAY, FLAG, INSTANT, REAL, TEXT, Column, Table, words_of
from schemas.vocabulary import AnnotationKind, Grade, PeriodKind

DRAIN_DAY = Table(
    "drain_day",
    "One row a drain and local calendar day.",
    (
        DRAIN_ID,
        Column("day", DAY, "Local calendar day of the site.", nullable=False),
        Column(
            "day_no",
            COUNT,
            "0 = the day the procedure ended (else tube in, else first minute).",
            nullable=False,
        ),
        Column("minutes_observed", COUNT, "Minutes with a row in a log.", "min", nullable=False),
        Column(
            "output_ml",
            REAL,
            "Fluid of the day as far as it was logged; null unless the volume was read to the end of what "
            "was logged of it and of the day before. On a day whose log breaks off it is not the whole day: "
            "see minutes_observed.",
            "mL",
        ),
        Column("leak_mean_ml_min", REAL, "Mean leak over assessable minutes.", "mL/min"),
        Column("leak_peak_ml_min", REAL, "Greatest leak over assessable minutes.", "mL/min"),
        Column("leak_minutes", COUNT, "Minutes with the leak on; null: never assessable.", "min"),
        Column(
            "tidaling_present_minutes", COUNT, "Minutes with tidaling seen; null: never assessable.", "min"
        ),
        Column("tilted_minutes", COUNT, "Minutes tilted; null: tilt never read.", "min"),
        Column("pause_minutes", COUNT, "Minutes paused.", "min"),
        Column("alert_count", COUNT, "Alerts that began; null: the logs do not say."),
    ),
    key=("drain_id", "day"),
)

PERIOD = Table(
    "period",
    "One row a flagged stretch of a drain.",
    (
        DRAIN_ID,
        Column(
            "kind",
            TEXT,
            "What was found; a `leak` joins stretches of leak up to hours apart (leak.join_below): not every "
            "minute in it has that flag in minute.flags.",
            nullable=False,
            words=words_of(PeriodKind),
        ),
        Column("started_at", INSTANT, "First minute.", nullable=False),
        Column("ended_at", INSTANT, "End (exclusive).", nullable=False),
        Column("minutes", COUNT, "Length.", "min", nullable=False),
        Column("grade", TEXT, "How far the finding reaches.", words=words_of(Grade)),
        Column("detail", TEXT, "What supports it, in words."),
    ),
    key=("drain_id", "kind", "started_at"),
)

ALERT = Table(
    "alert",
    "One row an alert of a drain.",
    (
        DRAIN_ID,
        Column("code", TEXT, "Alert code, or other:<site's code>.", nullable=False),
        Column("started_at", INSTANT, "First minute it rang.", nullable=False),
        Column("ended_at", INSTANT, "End (exclusive).", nullable=False),
        Column("minutes", COUNT, "Minutes it was seen ringing.", "min", nullable=False),
        Column("minutes_to_clear", COUNT, "Start to end; null if it still rang at a hole or the end.", "min"),
    ),
    key=("drain_id", "code", "started_at"),
)

CANISTER = Table(
    "canister",
    "One row a canister of a drain.",
    (
        DRAIN_ID,
        Column("canister_no", COUNT, "From 1 within the drain.", nullable=False),
        Column("fitted_at", INSTANT, "First minute.", nullable=False),
        Column("removed_at", INSTANT, "First minute of the next one; null for the last."),
        Column("volume_ml", REAL, "Fluid that was read in it while it served the drain.", "mL"),
        Column(
            "unread_minutes",
            COUNT,
            "Minutes between its last reading and the next one's first. What it took then is in no log: "
            "after a change in a hole the drain's output is at least so much. Null for the last.",
            "min",
        ),
    ),
    key=("drain_id", "canister_no"),
)

READINESS = Table(
    "readiness",
    "One row a drain and removal rule. No rule is a recommendation.",
    (
        DRAIN_ID,
        Column("rule", TEXT, "Name of the rule.", nullable=False),
        Column("ready_at", INSTANT, "First time all of the rule held; null: never."),
        Column("ready_since_at", INSTANT, "Start of the unbroken stretch up to removal."),
        Column("ready_basis", TEXT, "What the rule's fulfilment rests on."),
        Column("hours_ready_before_removal", REAL, "ready_since_at to tube out.", "h"),
        Column(
            "removed_before_ready",
            FLAG,
            "Whether the tube came out before the rule held; null where the patient left or died with it.",
        ),
        Column(
            "leak_returned_within_24h", FLAG, "Whether the leak came back; null: not watched long enough."
        ),
        Column(
            "watched_24h_share",
            REAL,
            "Share of the 24 h after ready_at in which the leak could be told; null: never ready.",
            "1",
            least=0,
            most=1,
        ),
    ),
    key=("drain_id", "rule"),
)

DRAIN_ANNOTATION = Table(
    "annotation",
    "One row an annotation by staff on a drain. Who wrote it and its words stay in the private store.",
    (
        DRAIN_ID,
        Column("kind", TEXT, "What was noted.", nullable=False, words=words_of(AnnotationKind)),
        Column("started_at", INSTANT, "From, as noted.", nullable=False),
        Column(
            "ended_at",
            INSTANT,
            "To (exclusive), as noted; null: no end was. Then it holds for its first minute, a clamp trial "
            "until flow shows.",
        ),
        Column("minutes", COUNT, "Logged minutes of the drain in which it holds.", "min", nullable=False),
        Column(
            "minutes_against_log",
            COUNT,
            "Of them, those in which the log shows air or breath though the note says that nothing passes: "
            "they count for the lung. Null: a kind that says nothing of the line, or no minute logged.",
            "min",
        ),
        Column("against_log_day", DAY, "Local calendar day of the first of those; null: none."),
    ),
    key=("drain_id", "kind", "started_at"),
)

DRAIN_USE = Table(
    "drain_use",
    "One row a drain and stretch of a device use that served it: how minutes belong to drains.",
    (
        DRAIN_ID,
        Column("use_id", TEXT, "The device use.", nullable=False),
        Column("from_at", INSTANT, "First minute.", nullable=False),
        Column("until_at", INSTANT, "End (exclusive).", nullable=False),
        Column("output_before_ml", REAL, "To add to the use's output to get the drain's.", "mL"),
    ),
    key=("drain_id", "use_id", "from_at"),
)
