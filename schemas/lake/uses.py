"""Uses of devices: their minutes with exports merged and clocks in UTC, and how whole they are."""

from __future__ import annotations

from schemas.lake.columns import DEVICE, READINGS, SESSION, SITE, USE
from schemas.table import COUNT, DAY, FLAG, INSTANT, REAL, SAMPLES, TEXT, WHOLE, Column, Table

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
