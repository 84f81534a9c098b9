"""What was loaded, as loaded: rows, traces, files, and what was rejected of them."""

from __future__ import annotations

from schemas.lake.columns import DEVICE, FILE, LINE, READINGS, SESSION, SITE
from schemas.table import (
    COUNT,
    FLAG,
    INSTANT,
    REAL,
    SAMPLES,
    TEXT,
    WALL_CLOCK,
    WHOLE,
    Column,
    Table,
    words_of,
)
from schemas.vocabulary import FileStatus, RejectScope

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
