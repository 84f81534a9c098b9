"""Tables and views of the published database, `drainledger.duckdb`: what people query."""

from __future__ import annotations

from schemas.lake import LOAD_FILE, REJECTED_ROW
from schemas.table import COUNT, DAY, FLAG, INSTANT, REAL, TEXT, TEXTS, WHOLE, Column, Table, words_of
from schemas.vocabulary import (
    Grade,
    OutcomeReason,
    PeriodKind,
    ProlongedLeak,
    RemovalReason,
    Side,
    State,
    TidalingBasis,
    Verdict,
)

DRAIN_ID = Column("drain_id", TEXT, "Pseudonym of the drain.", nullable=False)
_SITE = Column("site", TEXT, "Site (hospital).", nullable=False)
_UNIT = Column("unit", TEXT, "Ward; null where no registry says.")
_PROCEDURE = Column("procedure", TEXT, "Procedure in the site's own words; null where no registry says.")
_PROLONGED = Column(
    "prolonged_leak",
    TEXT,
    "Whether the air leak was prolonged (default definition: more than 5 days).",
    nullable=False,
    words=words_of(ProlongedLeak),
)
_REASON = Column(
    "prolonged_leak_reason",
    TEXT,
    "Why unknown, or removal_presumed where a no rests on a presumed removal.",
    words=words_of(OutcomeReason),
)

DRAIN = Table(
    "drain",
    "One row a drain: a tube in one patient, from in to out. Without a registry one device use is one drain.",
    (
        DRAIN_ID,
        Column("operation_id", TEXT, "Pseudonym of patient, side and day of origin; null if unlinked."),
        _SITE,
        _UNIT,
        _PROCEDURE,
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
        Column("run_hours", REAL, "Time with suction running.", "h"),
        Column("pause_hours", REAL, "Time with suction paused.", "h"),
        Column(
            "tilted_minutes",
            COUNT,
            "Minutes tilted beyond what a volume reading tolerates; null: tilt never read.",
            "min",
        ),
        Column(
            "suction_shortfall_minutes",
            COUNT,
            "Minutes short of the ordered suction; null: pressures never read.",
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
        Column("output_ml", REAL, "Fluid; null where no reading says.", "mL"),
        Column(
            "output_first_24h_ml",
            REAL,
            "Fluid in the first 24 h after the origin; null unless those hours were watched.",
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
        _PROLONGED,
        _REASON,
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
        Column("alert_count", COUNT, "Alerts; null: the logs do not say."),
        Column("mains_minutes", COUNT, "Minutes on mains power; null: never said.", "min"),
        Column("battery_minutes", COUNT, "Minutes on battery; null: never said.", "min"),
    ),
    key=("drain_id",),
)

OPERATION = Table(
    "operation",
    "One row an operation: the drains of one patient, side and day of origin.",
    (
        Column("operation_id", TEXT, "Pseudonym.", nullable=False),
        _SITE,
        _UNIT,
        _PROCEDURE,
        Column("side", TEXT, "Side of the chest.", words=words_of(Side)),
        Column("origin_at", INSTANT, "End of the procedure, else first tube in.", nullable=False),
        Column("origin_day", DAY, "Local calendar day of the origin; its month is the operation's month."),
        Column("drains", COUNT, "How many drains.", nullable=False),
        Column("leak_hours", REAL, "Longest of its drains' leaks; null where one is unknown.", "h"),
        _PROLONGED,
        _REASON,
    ),
    key=("operation_id",),
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
        Column("output_ml", REAL, "Fluid of the day; null where no reading says.", "mL"),
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
        Column("volume_ml", REAL, "Fluid that went into it while it served the drain.", "mL"),
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
        Column("removed_before_ready", FLAG, "Whether the tube came out before the rule held."),
        Column(
            "leak_returned_within_24h", FLAG, "Whether the leak came back; null: not watched long enough."
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
    "How much of what should be there is: one row a device and local day, one a registry finding.",
    (
        Column("scope", TEXT, "What the row speaks of.", nullable=False, words=("device_day", "registry")),
        _SITE,
        Column("device", TEXT, "Serial of the drain; null for registry findings without one."),
        Column("day", DAY, "Local calendar day; null for registry findings."),
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
            "What was found about the registry.",
            words=(
                "drain_without_log",
                "minutes_without_drain",
                "use_claimed_twice",
                "log_outside_drain",
                "tube_out_before_in",
                "procedure_end_after_out",
                "annotation_without_minutes",
                "named_use_without_log",
            ),
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

DEFINITION = Table(
    "definition",
    "One row a figure of the definitions this database was made with; SQL reads its thresholds here.",
    (
        Column("name", TEXT, "Section and figure, as in definitions.toml: leak.on_above.", nullable=False),
        Column("value", REAL, "The figure; 1 or 0 where it is a yes or a no.", nullable=False),
    ),
    key=("name",),
)

TABLES: tuple[Table, ...] = (
    DRAIN,
    OPERATION,
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
    PROVENANCE,
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
        Column("output_ml", REAL, "Fluid since the drain began, never falling.", "mL"),
        Column("tilt_deg", REAL, "Angle from upright.", "deg"),
        Column("tidaling", TEXT, "Tidaling verdict.", words=words_of(Verdict)),
        Column("tidaling_basis", TEXT, "What the verdict rests on.", words=words_of(TidalingBasis)),
        Column("swing_cmh2o", REAL, "Swing of the breath.", "cm[H2O]"),
        Column("breath_rate_per_min", REAL, "Breath rate.", "/min"),
        Column("flags", TEXTS, "Kinds of the periods in force."),
    ),
)

_MONTH = Column("month", DAY, "First day of the local month of the origin.")
_COUNTED = Column("counted", WHOLE, "Operations where patients are known, drains where not.")
_EVALUABLE = Column("evaluable", WHOLE, "Counted with a yes or a no.")
_PROLONGED_N = Column("prolonged", WHOLE, "Counted with a yes.")
_UNKNOWN_N = Column("unknown", WHOLE, "Counted with an unknown; never in the rate.")

PROLONGED_LEAK_COUNTED = Table(
    "prolonged_leak_counted",
    "What prolonged-leak rates count: one row an operation, or a drain where patients are not known.",
    (
        Column("counted_id", TEXT, "Pseudonym of the operation, or of the drain.", nullable=False),
        _SITE,
        _UNIT,
        _PROCEDURE,
        _MONTH,
        Column("drains", COUNT, "Drains behind it."),
        _PROLONGED,
        Column("had_its_time", FLAG, "Whether the site's data reach past the definition's time."),
    ),
)

PROLONGED_LEAK_RATE = Table(
    "prolonged_leak_rate",
    "Prolonged air leak rate by site, unit, procedure and local month of the origin.",
    (
        _SITE,
        _UNIT,
        _PROCEDURE,
        _MONTH,
        _COUNTED,
        Column("drains", WHOLE, "Drains behind them."),
        _EVALUABLE,
        _PROLONGED_N,
        _UNKNOWN_N,
        Column("rate", REAL, "prolonged / evaluable; null where none is evaluable.", "1"),
        Column("rate_low", REAL, "Lower 95 % bound (Wilson).", "1"),
        Column("rate_high", REAL, "Upper 95 % bound (Wilson).", "1"),
        Column("rate_if_unknown_no", REAL, "Rate if every unknown were a no.", "1"),
        Column("rate_if_unknown_yes", REAL, "Rate if every unknown were a yes.", "1"),
        Column("provisional", FLAG, "Some have not had their 120 h yet."),
    ),
)

PROLONGED_LEAK_CHART = Table(
    "prolonged_leak_chart",
    "p-chart of the prolonged-leak rate by site and month, exact limits for each month's own n.",
    (
        _SITE,
        _MONTH,
        _EVALUABLE,
        _PROLONGED_N,
        Column("rate", REAL, "prolonged / evaluable.", "1"),
        Column("centre", REAL, "The site's overall rate.", "1"),
        Column("limit_low", REAL, "Lower 99.8 % limit.", "1"),
        Column("limit_high", REAL, "Upper 99.8 % limit.", "1"),
        Column("outside", FLAG, "Whether the rate lies outside its limits."),
        Column("provisional", FLAG, "Some have not had their 120 h yet."),
    ),
)

PROLONGED_LEAK_FUNNEL = Table(
    "prolonged_leak_funnel",
    "Funnel of the prolonged-leak rate by unit, with exact binomial limits around the overall rate.",
    (
        _SITE,
        _UNIT,
        _EVALUABLE,
        _PROLONGED_N,
        Column("rate", REAL, "prolonged / evaluable.", "1"),
        Column("centre", REAL, "Overall rate.", "1"),
        Column("limit_95_low", REAL, "Lower 95 % limit.", "1"),
        Column("limit_95_high", REAL, "Upper 95 % limit.", "1"),
        Column("limit_998_low", REAL, "Lower 99.8 % limit.", "1"),
        Column("limit_998_high", REAL, "Upper 99.8 % limit.", "1"),
    ),
)

_CURVE: tuple[Column, ...] = (
    Column("site", TEXT, "Site; null: all sites."),
    Column("hours", REAL, "Hours since the origin.", "h"),
    Column("at_risk", WHOLE, "Drains still watched and leaking just before."),
    Column("ended", WHOLE, "Leaks that ended at that time."),
    Column("censored", WHOLE, "Drains that left our sight at that time."),
)

LEAK_SURVIVAL = Table(
    "leak_survival",
    "Kaplan-Meier curve of leak duration, by site and overall, with late entry.",
    (
        *_CURVE,
        Column("still_leaking", REAL, "Estimated share still leaking.", "1"),
        Column("low", REAL, "Lower 95 % bound (log-log).", "1"),
        Column("high", REAL, "Upper 95 % bound (log-log).", "1"),
    ),
)

LEAK_INCIDENCE = Table(
    "leak_incidence",
    "Cumulative incidence of leak end (Aalen-Johansen), with death and transfer as competing events.",
    (
        *_CURVE,
        Column("still_leaking", REAL, "Share neither ended nor met by a competing event.", "1"),
        Column("incidence", REAL, "Cumulative incidence of leak end.", "1"),
        Column("low", REAL, "Lower 95 % bound of the incidence.", "1"),
        Column("high", REAL, "Upper 95 % bound of the incidence.", "1"),
    ),
)

REMOVAL_DELAY = Table(
    "removal_delay",
    "Hours between ready and removed, by unit, month and rule.",
    (
        _SITE,
        _UNIT,
        _MONTH,
        Column("rule", TEXT, "Name of the rule."),
        Column("drains", WHOLE, "Drains whose removal is known."),
        Column("ready", WHOLE, "Of them, ready before removal."),
        Column("removed_before_ready", WHOLE, "Of them, removed before the rule held."),
        Column("delay_median_hours", REAL, "Median hours between ready and removed.", "h"),
        Column("delay_p90_hours", REAL, "90th percentile.", "h"),
    ),
)

HANDLING = Table(
    "handling",
    "How drains are handled, by unit and month, per drain-day observed.",
    (
        _SITE,
        _UNIT,
        _MONTH,
        Column("drains", WHOLE, "Drains."),
        Column("drain_days", REAL, "Days observed.", "d"),
        Column("tilted_minutes_per_day", REAL, "Minutes tilted per drain-day.", "min/d"),
        Column("pause_minutes_per_day", REAL, "Minutes paused per drain-day.", "min/d"),
        Column("shortfall_minutes_per_day", REAL, "Minutes short of suction per drain-day.", "min/d"),
        Column("alerts_per_day", REAL, "Alerts per drain-day.", "/d"),
        Column("minutes_to_clear_median", REAL, "Median minutes until an alert was cleared.", "min"),
        Column("mains_share", REAL, "Share of known minutes on mains power.", "1"),
    ),
)

DEVICE_USE = Table(
    "device_use",
    "What each device did, by month.",
    (
        _SITE,
        Column("device", TEXT, "Serial of the drain."),
        Column("month", DAY, "First day of the local month in which it happened."),
        Column("uses", WHOLE, "Uses that began."),
        Column("hours", REAL, "Hours observed.", "h"),
        Column("alerts", WHOLE, "Alerts that began; null: the logs do not say."),
        Column("failed_checks", WHOLE, "Failed self-checks; null: the logs do not say."),
        Column("battery_low", WHOLE, "Battery-low alerts; null: the logs do not say."),
    ),
)

VIEWS: tuple[Table, ...] = (
    MINUTE_VIEW,
    PROLONGED_LEAK_COUNTED,
    PROLONGED_LEAK_RATE,
    PROLONGED_LEAK_CHART,
    PROLONGED_LEAK_FUNNEL,
    LEAK_SURVIVAL,
    LEAK_INCIDENCE,
    REMOVAL_DELAY,
    HANDLING,
    DEVICE_USE,
)
