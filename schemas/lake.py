"""Tables of the lake: what was loaded, as loaded, and what was computed from it."""

from __future__ import annotations

from schemas.table import (
    COUNT,
    DAY,
    FLAG,
    INSTANT,
    REAL,
    SAMPLES,
    TEXT,
    TEXTS,
    WALL_CLOCK,
    WHOLE,
    Column,
    Table,
    words_of,
)
from schemas.vocabulary import (
    ArtefactKind,
    FileStatus,
    Grade,
    PeriodKind,
    RejectScope,
    State,
    TidalingBasis,
    Verdict,
)

SITE = Column("site", TEXT, "Site (hospital) the log came from.", nullable=False)
DEVICE = Column("device", TEXT, "Serial of the drain; unique within its site.", nullable=False)
SESSION = Column("session", WHOLE, "The device's own count of uses.", nullable=False, least=0)
FILE = Column("file_sha256", TEXT, "SHA-256 of the file's bytes as they were given.", nullable=False)
LINE = Column("line", COUNT, "Line in the file, counted from 1.", nullable=False, least=1)
USE = Column("use_id", TEXT, "One use of a device: site:device/session@first minute (UTC).", nullable=False)

# Readings of one minute, in the project's units and signs. Values are rounded at ingest to the
# resolution given in `[resolution]` of definitions.toml so that sums can be exact.
READINGS: tuple[Column, ...] = (
    Column("state", TEXT, "What the device was doing.", words=words_of(State)),
    Column("set_pressure_cmh2o", REAL, "Ordered pressure; suction is negative.", "cm[H2O]", most=0),
    Column("pressure_mean_cmh2o", REAL, "Mean pressure over the minute, gauge, at the device.", "cm[H2O]"),
    Column("pressure_min_cmh2o", REAL, "Least pressure over the minute.", "cm[H2O]"),
    Column("pressure_max_cmh2o", REAL, "Greatest pressure over the minute.", "cm[H2O]"),
    Column(
        "air_leak_ml_min", REAL, "Mean flow of air out of the patient over the minute.", "mL/min", least=0
    ),
    Column("canister_volume_ml", REAL, "Reading of the canister now fitted.", "mL", least=0),
    Column("tilt_deg", REAL, "Angle from upright.", "deg", least=0, most=180),
    Column("battery_pct", REAL, "Battery charge.", "%", least=0, most=100),
    Column("mains", FLAG, "Whether the device was on mains power."),
    Column("alerts", TEXTS, "Alerts that rang; empty: none rang, null: the log does not say."),
)

_AS_LOADED: tuple[Column, ...] = (
    FILE,
    LINE,
    SITE,
    DEVICE,
    SESSION,
    Column("record", WHOLE, "The device's record counter; null where the layout has none.", least=0),
    Column(
        "clock",
        WALL_CLOCK,
        "The device's wall clock at the minute's start, local, as logged.",
        nullable=False,
    ),
)
_MONTH = Column("month", TEXT, "Month of the wall clock (YYYY-MM); the partition.", nullable=False)

MINUTE = Table(
    "minute",
    "One row a line of a log, as loaded. Append-only; which export wins is decided on reading.",
    (*_AS_LOADED, *READINGS, _MONTH),
    key=("file_sha256", "line"),
)

TRACE = Table(
    "trace",
    "One row a pressure trace, as loaded: samples from the minute's second 0.",
    (
        *_AS_LOADED,
        Column("rate_hz", REAL, "Samples per second.", "Hz", nullable=False, least=0),
        Column(
            "samples_cmh2o",
            SAMPLES,
            "Pressure; NaN: no valid value (E), +inf: above range (U), -inf: below range (L).",
            "cm[H2O]",
            nullable=False,
        ),
        _MONTH,
    ),
    key=("file_sha256", "line"),
)

LOAD_FILE = Table(
    "load_file",
    "One row a file ever seen and what became of it. Written last: a file is loaded when its row is here.",
    (
        FILE,
        Column("profile", TEXT, "Name of the profile the file was read with; null where none fitted."),
        Column("profile_sha256", TEXT, "Digest of that profile."),
        Column("site", TEXT, "Site the rows were filed under."),
        Column(
            "device", TEXT, "Serial of the drain; several joined by ';' where a file holds more than one."
        ),
        Column("exported_at", INSTANT, "When the export was made."),
        Column("timezone", TEXT, "IANA zone of the device's wall clock."),
        Column("clock_follows_dst", FLAG, "Whether the clock follows summer time; null: unsaid, inferred."),
        Column("complete", FLAG, "Whether the file is whole; null: it does not say."),
        Column("status", TEXT, "What became of the file.", nullable=False, words=words_of(FileStatus)),
        Column("rows_read", COUNT, "Data rows read.", nullable=False, least=0),
        Column("rows_kept", COUNT, "Rows kept.", nullable=False, least=0),
        Column("rows_rejected", COUNT, "Rows rejected; read = kept + rejected.", nullable=False, least=0),
        Column("cells_rejected", COUNT, "Cells of kept rows that were made null.", nullable=False, least=0),
        Column("reason", TEXT, "Why the file is not simply loaded, in one sentence."),
        Column("zone_data", TEXT, "Version of the time-zone data in use at loading."),
        Column("columns_ignored", COUNT, "Columns of its header that the profile does not name.", least=0),
        Column("read_with", TEXT, "What its reading rests on besides its bytes; bookkeeping."),
        Column("loaded_at", INSTANT, "When the ledger took it in (bookkeeping).", nullable=False),
    ),
    key=("file_sha256",),
)

REJECTED_ROW = Table(
    "rejected_row",
    "One row a file, line or cell that broke a rule. The value itself stays in the private store.",
    (
        FILE,
        Column("line", COUNT, "Line in the file, counted from 1; null for a whole file.", least=1),
        Column("scope", TEXT, "How much was lost.", nullable=False, words=words_of(RejectScope)),
        Column("column", TEXT, "Our name of the column concerned, where one is."),
        Column("rule", TEXT, "The rule that was broken.", nullable=False),
        Column("value_shape", TEXT, "The value with 9 for a digit and a for a letter."),
    ),
)

REJECTED_VALUE = Table(
    "rejected_value",
    "Private: the values behind `rejected_row`.",
    (
        FILE,
        Column("line", COUNT, "Line in the file, counted from 1.", least=1),
        Column("column", TEXT, "Our name of the column concerned."),
        Column("value", TEXT, "The value as it stood in the file."),
    ),
)

FILE_NAME = Table(
    "file_name",
    "Private: the names a file was given under. Names can hold patients' names.",
    (FILE, Column("name", TEXT, "Last part of the path.", nullable=False)),
    key=("file_sha256", "name"),
)

# One row an observed minute of a device after overlapping exports were merged and wall clocks
# turned into UTC. Not stored: made on reading, input of the course.
RESOLVED = Table(
    "resolved",
    "One row an observed minute of a use: exports merged, wall clock turned into UTC.",
    (
        USE,
        SITE,
        DEVICE,
        Column(
            "epoch",
            COUNT,
            "Which run of the record counter (0 = first); grows at a counter reset.",
            nullable=False,
        ),
        SESSION,
        Column("record", WHOLE, "The device's record counter."),
        Column("minute", INSTANT, "Start of the minute, UTC.", nullable=False),
        Column(
            "utc_offset_minutes", COUNT, "What the site's local time was ahead of UTC.", "min", nullable=False
        ),
        *READINGS,
        Column("rate_hz", REAL, "Samples per second of the trace that stands, where there is one.", "Hz"),
        Column("samples_cmh2o", SAMPLES, "The trace that stands, where there is one.", "cm[H2O]"),
        Column("exports", COUNT, "In how many exports the minute came.", nullable=False, least=1),
        Column("conflicting", FLAG, "Whether exports disagreed on it.", nullable=False),
        Column(
            "clock_step",
            FLAG,
            "A clock step or an unexplained jump lies just before this minute.",
            nullable=False,
        ),
        Column(
            "clock_step_minutes",
            COUNT,
            "How far that step moved the log's time against its counter; negative: back; null: unknown.",
            "min",
        ),
        Column("clock_uncertain", FLAG, "Whether the UTC time rests on a guess.", nullable=False),
    ),
    key=("use_id", "minute"),
)

USE_TABLE = Table(
    "use",
    "One row a device use: a run of minutes of one (device, session) without a hole of 24 h or more.",
    (
        USE,
        SITE,
        DEVICE,
        Column("epoch", COUNT, "Which run of the record counter the use began in.", nullable=False),
        SESSION,
        Column("stretch", COUNT, "Which stretch of that (epoch, session), from 0.", nullable=False),
        Column("timezone", TEXT, "IANA zone of the device's wall clock.", nullable=False),
        Column("started_at", INSTANT, "First observed minute.", nullable=False),
        Column("ended_at", INSTANT, "End of the last observed minute (exclusive).", nullable=False),
        Column("minutes_observed", COUNT, "Minutes with a row.", nullable=False),
        Column(
            "begins_with_check",
            FLAG,
            "Whether the log shows the use begin: its first rows are a self-check.",
            nullable=False,
        ),
        Column("clock_uncertain", FLAG, "Whether any UTC time of it rests on a guess.", nullable=False),
        Column("clock_steps", COUNT, "Clock steps seen in it.", nullable=False),
        Column(
            "clock_carried_minutes",
            COUNT,
            "How far steps before its first minute had set the device's clock back in all: 0 or negative; "
            "null: unknown.",
            "min",
        ),
        Column(
            "last_export_at",
            INSTANT,
            "Latest export that may be whole; the use's own end where none, or where the session goes on.",
            nullable=False,
        ),
        Column("later_session", FLAG, "Whether the device was in a later use afterwards.", nullable=False),
    ),
    key=("use_id",),
)

BEDSIDE = Table(
    "bedside",
    "One row an observed minute of a drain as a removal rule may look at it: nothing rests on later minutes, "
    "but the last column.",
    (
        Column("drain_id", TEXT, "Pseudonym of the drain.", nullable=False),
        Column("minute", INSTANT, "Start of the minute, UTC.", nullable=False),
        Column("leak_ml_min", REAL, "The leak as read; null where a rule's clock does not run.", "mL/min"),
        Column(
            "stopped_so_far",
            COUNT,
            "Minutes so far not running, or with the line suspected shut, open or blocked.",
            "min",
            nullable=False,
        ),
        Column("output_so_far", WHOLE, "Fluid since the drain began, in steps of the volume resolution."),
        Column("read_at", INSTANT, "When the volume was last read."),
        Column("breathed_at", INSTANT, "When tidaling was last seen."),
        Column("breathed_basis", TEXT, "What that rested on.", words=words_of(TidalingBasis)),
        Column(
            "leak_median_ml_min",
            REAL,
            "m(t) where assessable and the leak is known to be on or off, looking back.",
            "mL/min",
        ),
    ),
    key=("drain_id", "minute"),
)

QUALITY_DAY = Table(
    "quality_day",
    "One row a device and local day: how much of what should be there is.",
    (
        SITE,
        DEVICE,
        Column("day", DAY, "Local calendar day.", nullable=False),
        Column("minutes_expected", COUNT, "Minutes inside uses on that day.", nullable=False),
        Column("minutes_observed", COUNT, "Minutes with a row.", nullable=False),
        Column(
            "minutes_overlapping",
            COUNT,
            "Minutes that came in several exports with the same values.",
            nullable=False,
        ),
        Column("minutes_conflicting", COUNT, "Minutes on which exports disagreed.", nullable=False),
        Column("minutes_missing", COUNT, "Minutes inside uses without a row.", nullable=False),
        Column(
            "minutes_hidden",
            COUNT,
            "Rows behind a later row of the same minute: the clock was set back.",
            nullable=False,
        ),
        Column(
            "clock_steps", COUNT, "Clock steps, resets of the clock and unexplained jumps.", nullable=False
        ),
        Column("minutes_uncertain", COUNT, "Minutes whose UTC time rests on a guess.", nullable=False),
        Column("counter_resets", COUNT, "How often the device's record counter began anew.", nullable=False),
    ),
    key=("site", "device", "day"),
)

EVIDENCE_COLUMNS: tuple[Column, ...] = (
    Column("verdict", TEXT, "Does the trace show breathing?", nullable=False, words=words_of(Verdict)),
    Column("breath_rate_per_min", REAL, "Rate from breath intervals; null unless present.", "/min"),
    Column("swing_cmh2o", REAL, "Typical peak-to-trough of a breath.", "cm[H2O]"),
    Column("swing_low_cmh2o", REAL, "Lower 95 % bound of the swing.", "cm[H2O]"),
    Column("swing_high_cmh2o", REAL, "Upper 95 % bound of the swing.", "cm[H2O]"),
    Column("lowest_rate_per_min", REAL, "Slowest breathing this trace could have shown.", "/min"),
    Column("artefact_fraction", REAL, "Share of the samples that are artefact.", least=0, most=1),
    Column("artefact_kind", TEXT, "The main artefact.", nullable=False, words=words_of(ArtefactKind)),
)

EVIDENCE = Table(
    "evidence",
    "One row a pressure trace that stands: what it shows of breathing.",
    (
        USE,
        SITE,
        DEVICE,
        Column("minute", INSTANT, "Start of the minute, UTC.", nullable=False),
        *EVIDENCE_COLUMNS,
    ),
    key=("use_id", "minute"),
)

ANNOTATIONS = Column(
    "annotations",
    TEXTS,
    "Kinds of the annotations by staff in force; empty: nothing was noted of the minute.",
    nullable=False,
)
AGAINST_LOG = Column(
    "against_log",
    TEXTS,
    "Of the annotations in force that say nothing passes the line (clamp_trial, confirmed_occlusion) those "
    "that the log contradicts: it shows air or breath in this minute, which then counts for the lung.",
    nullable=False,
)

COURSE = Table(
    "course",
    "One row a minute of a use, first to last; a minute the log lacks has nulls and the flag no_data.",
    (
        USE,
        SITE,
        DEVICE,
        SESSION,
        Column("minute", INSTANT, "Start of the minute, UTC.", nullable=False),
        Column("utc_offset_minutes", COUNT, "What local time was ahead of UTC.", "min", nullable=False),
        Column("span", COUNT, "Stretch of the use between the tubes' ins and outs, from 0.", nullable=False),
        Column("observed", FLAG, "Whether the log has the minute.", nullable=False),
        *READINGS,
        Column(
            "canister_no", COUNT, "Which canister of the use, from 1; null before the first accepted reading."
        ),
        Column(
            "output_ml",
            REAL,
            "Fluid since the use began as last read, never falling; null before the first accepted reading.",
            "mL",
            least=0,
        ),
        Column(
            "volume_read",
            FLAG,
            "Whether the minute has an accepted canister reading; if not, `output_ml` is an older one.",
            nullable=False,
        ),
        Column("tidaling", TEXT, "Tidaling verdict of the minute.", nullable=False, words=words_of(Verdict)),
        Column("tidaling_basis", TEXT, "What the verdict rests on.", words=words_of(TidalingBasis)),
        Column("swing_cmh2o", REAL, "Swing of the breath where traced.", "cm[H2O]"),
        Column("breath_rate_per_min", REAL, "Breath rate where traced and present.", "/min"),
        Column("assessable", FLAG, "Whether the minute counts for the lung's leak.", nullable=False),
        Column("leak_median_ml_min", REAL, "m(t): median leak over the assessable minutes around.", "mL/min"),
        Column("leak_least_ml_min", REAL, "m(t), were the leak nil in the minutes the log lacks.", "mL/min"),
        Column("leak_on", FLAG, "Whether the leak is on; null: cannot be told."),
        Column("flags", TEXTS, "Kinds of the periods in force at the minute.", nullable=False),
        ANNOTATIONS,
        AGAINST_LOG,
        Column("clock_step", FLAG, "A clock step lies just before this minute.", nullable=False),
        Column(
            "clock_step_minutes",
            COUNT,
            "How far that step moved the log's time against its counter; negative: back; null: unknown.",
            "min",
        ),
    ),
    key=("use_id", "minute"),
)

USE_PERIOD = Table(
    "use_period",
    "One row a flagged stretch of a use.",
    (
        USE,
        SITE,
        DEVICE,
        Column("span", COUNT, "Stretch of the use between the tubes' ins and outs.", nullable=False),
        Column("kind", TEXT, "What was found.", nullable=False, words=words_of(PeriodKind)),
        Column("started_at", INSTANT, "First minute.", nullable=False),
        Column("ended_at", INSTANT, "End (exclusive).", nullable=False),
        Column("minutes", COUNT, "Length.", "min", nullable=False, least=1),
        Column("grade", TEXT, "How far the finding reaches.", words=words_of(Grade)),
        Column("detail", TEXT, "What supports it, in words."),
    ),
    key=("use_id", "kind", "started_at"),
)

USE_ALERT = Table(
    "use_alert",
    "One row an alert of a use, from its first to its last minute.",
    (
        USE,
        SITE,
        DEVICE,
        Column("code", TEXT, "Alert code, or other:<site's code>.", nullable=False),
        Column("started_at", INSTANT, "First minute it rang.", nullable=False),
        Column("ended_at", INSTANT, "End (exclusive).", nullable=False),
        Column("minutes", COUNT, "Minutes it was seen ringing.", "min", nullable=False, least=1),
        Column("minutes_to_clear", COUNT, "Start to end; null if it still rang at a hole or the end.", "min"),
    ),
    key=("use_id", "code", "started_at"),
)

USE_CANISTER = Table(
    "use_canister",
    "One row a canister of a use.",
    (
        USE,
        SITE,
        DEVICE,
        Column("canister_no", COUNT, "From 1.", nullable=False, least=1),
        Column("fitted_at", INSTANT, "First minute of the canister.", nullable=False),
        Column("removed_at", INSTANT, "First minute of the next one; null for the last."),
        Column("volume_ml", REAL, "Fluid that was read in it.", "mL", least=0),
        Column(
            "unread_minutes",
            COUNT,
            "Minutes between its last reading and the next one's first; null for the last.",
            "min",
            least=0,
        ),
    ),
    key=("use_id", "canister_no"),
)
