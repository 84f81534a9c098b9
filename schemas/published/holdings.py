"""What the ledger holds and how good it is: files, rejected rows, findings, changes, and what made it."""

from __future__ import annotations

from schemas.findings import FINDINGS
from schemas.lake import LOAD_FILE, REJECTED_ROW
from schemas.published.columns import DRAIN_ID
from schemas.table import COUNT, DAY, INSTANT, REAL, TEXT, Column, Table

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
            "minutes_uncertain", COUNT, "Minutes whose UTC time rests on a guess (clock_uncertain).", "min"
        ),
        Column(
            "counter_resets",
            COUNT,
            "How often the device's record counter began anew, on the day of the first minute after it.",
        ),
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
