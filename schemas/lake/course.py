"""What was computed of a use: evidence of breathing, minutes, periods, alerts, canisters."""

from __future__ import annotations

from schemas.lake.columns import DEVICE, READINGS, SESSION, SITE, USE
from schemas.table import COUNT, FLAG, INSTANT, REAL, TEXT, TEXTS, Column, Table, words_of
from schemas.vocabulary import ArtefactKind, Grade, PeriodKind, TidalingBasis, Verdict

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
