"""Tables and views of the published database, `drainledger.duckdb`: what people query."""

from __future__ import annotations

from schemas.findings import FINDINGS
from schemas.lake import LOAD_FILE, REJECTED_ROW
from schemas.table import COUNT, DAY, FLAG, INSTANT, REAL, TEXT, Column, Table, words_of
from schemas.vocabulary import (
    Grade,
    OutcomeReason,
    PeriodKind,
    ProlongedLeak,
    RemovalReason,
    Side,
)

DRAIN_ID = Column("drain_id", TEXT, "Pseudonym of the drain.", nullable=False)
SITE_NAME = Column("site", TEXT, "Site (hospital).", nullable=False)
UNIT = Column("unit", TEXT, "Ward; null where no registry says.")
PROCEDURE = Column("procedure", TEXT, "Procedure in the site's own words; null where no registry says.")
PROLONGED = Column(
    "prolonged_leak",
    TEXT,
    "Whether the air leak was prolonged (where no definition is named: more than 5 days).",
    nullable=False,
    words=words_of(ProlongedLeak),
)
REASON = Column(
    "prolonged_leak_reason",
    TEXT,
    "Why unknown, or removal_presumed where a no rests on a presumed removal. no_log: no minute of a log "
    "of it is here. too_little_data: there is a log, but too few minutes were assessable where it mattered, "
    "however many were observed (paused, open, clamped or blocked ones tell of no leak).",
    words=words_of(OutcomeReason),
)

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
            "Minutes of suspected occlusion; null: tidaling never assessable.",
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
        Column("leak_ended_at", INSTANT, "End of the last leak; null if ongoing, unconfirmed or never on."),
        Column(
            "leak_end_earliest_at",
            INSTANT,
            "Earliest the last leak can have ended; if ongoing or unconfirmed, how far it was seen.",
        ),
        Column("leak_end_latest_at", INSTANT, "Latest the last leak can have ended."),
        Column("leak_recurrences", COUNT, "Leaks after the first."),
        Column(
            "leak_hours",
            REAL,
            "Origin (end of procedure; else tube in; else first minute) to the leak's end.",
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
        Column("leak_hours", REAL, "Origin to the leak's end under this definition.", "h"),
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
        Column("kind", TEXT, "What was found.", nullable=False, words=words_of(PeriodKind)),
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

LOAD_FILE_PUBLISHED = Table(
    "load_file",
    "One row a file ever seen and what became of it.",
    tuple(
        LOAD_FILE.column(n)
        for n in (
            "file_sha256",
            "profile",
            "profile_sha256",
            "site",
            "device",
            "exported_at",
            "status",
            "rows_read",
            "rows_kept",
            "rows_rejected",
            "reason",
            "loaded_at",
        )
    ),
    key=("file_sha256",),
)

REJECTED_ROW_PUBLISHED = REJECTED_ROW

DATA_QUALITY = Table(
    "data_quality",
    "How much of what should be there is: one row a device and local day, one a finding.",
    (
        Column(
            "scope",
            TEXT,
            "What the row speaks of.",
            nullable=False,
            words=("device_day", "device", "registry", "site", "file"),
        ),
        Column("site", TEXT, "Site (hospital); null for a file of which it is not known."),
        Column("device", TEXT, "Serial of the drain; null for registry findings without one."),
        Column("day", DAY, "Local calendar day; null for findings."),
        Column("minutes_expected", COUNT, "Minutes inside uses on that day.", "min"),
        Column("minutes_observed", COUNT, "Minutes with a row.", "min"),
        Column(
            "minutes_overlapping", COUNT, "Minutes that came in several exports with the same values.", "min"
        ),
        Column("minutes_conflicting", COUNT, "Minutes on which exports disagreed.", "min"),
        Column("minutes_missing", COUNT, "Minutes inside uses without a row.", "min"),
        Column("minutes_hidden", COUNT, "Rows behind a later row of the same minute: a clock set back."),
        Column("clock_steps", COUNT, "Clock steps, resets of the clock and unexplained jumps."),
        Column(
            "finding",
            TEXT,
            "What was found about the registry, a device, a site or a file. "
            + "; ".join(f"{finding}: {meaning}" for finding, meaning in FINDINGS.items())
            + ".",
            words=tuple(FINDINGS),
        ),
        Column("drain_id", TEXT, "The drain concerned."),
        Column("minutes", COUNT, "Minutes concerned.", "min"),
        Column("detail", TEXT, "In words."),
    ),
)

CHANGE = Table(
    "change",
    "What this publish changed against the one before. Bookkeeping: not a function of the inputs alone.",
    (
        DRAIN_ID,
        Column(
            "column", TEXT, "Column of `drain`; `drain_id` for a drain that came or went.", nullable=False
        ),
        Column("before", TEXT, "Value before."),
        Column("after", TEXT, "Value now."),
        Column(
            "cause",
            TEXT,
            "What changed it.",
            words=("file", "registry", "annotation", "definition", "code"),
        ),
    ),
    key=("drain_id", "column"),
)

PROVENANCE = Table(
    "provenance",
    "One row: what made this database.",
    (
        Column("code_version", TEXT, "Version of drainledger and digest of its code.", nullable=False),
        Column("settings_digest", TEXT, "Digest of the definitions and removal rules.", nullable=False),
        Column("lake_versions", TEXT, "Version of each lake table, as JSON (bookkeeping).", nullable=False),
        Column("built_at", INSTANT, "When it was built (bookkeeping).", nullable=False),
    ),
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

CHART_BASELINE = Table(
    "chart_baseline",
    "Baselines of the chart that somebody set, in baselines.toml; a site without one takes its first months.",
    (
        Column("site", TEXT, "Site; null: every site without a row of its own."),
        Column(
            "from_month",
            DAY,
            "First month of the baseline; it holds from then until the next.",
            nullable=False,
        ),
        Column("through_month", DAY, "Last month of the baseline.", nullable=False),
        Column("why", TEXT, "Why it was set so.", nullable=False),
    ),
    key=("site", "from_month"),
)

DEFINITION = Table(
    "definition",
    "One row a figure of the definitions this database was made with; SQL reads its thresholds here.",
    (
        Column("name", TEXT, "Section and figure, as in definitions.toml: leak.on_above.", nullable=False),
        Column("value", REAL, "The figure; 1 or 0 where it is a yes or a no.", nullable=False),
        Column("unit", TEXT, "UCUM code of its unit; 1 where it has none.", nullable=False),
        Column("meaning", TEXT, "What it decides.", nullable=False),
        Column("source", TEXT, "Where the figure is from.", nullable=False),
    ),
    key=("name",),
)

TABLES: tuple[Table, ...] = (
    DRAIN,
    DRAIN_OUTCOME,
    OPERATION,
    COUNTED_OUTCOME,
    DRAIN_DAY,
    PERIOD,
    ALERT,
    CANISTER,
    READINESS,
    DRAIN_USE,
    LOAD_FILE_PUBLISHED,
    REJECTED_ROW_PUBLISHED,
    DATA_QUALITY,
    CHANGE,
    CHART_BASELINE,
    PROVENANCE,
)
