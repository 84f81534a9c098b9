"""Bookkeeping of what was made from what, so that only what is out of date is computed again."""

from __future__ import annotations

from schemas.table import TEXT, Column, Table

MADE = Table(
    "made",
    "One row a device, device use, drain or published database and the digests of what it was made from.",
    (
        Column(
            "stage",
            TEXT,
            "What was made.",
            nullable=False,
            words=("device", "use", "drain", "database"),
        ),
        Column("subject", TEXT, "site:device, use_id, drain_id, or the database's name.", nullable=False),
        Column(
            "files",
            TEXT,
            "Digest of the log files in force; of a use: of its minutes; of a drain with the extent of each "
            "of its uses, as JSON.",
            nullable=False,
        ),
        Column("registry", TEXT, "Digest of the registry rows that concern it.", nullable=False),
        Column("annotations", TEXT, "Digest of the annotations that concern it.", nullable=False),
        Column("definitions", TEXT, "Digest of the definitions and rules.", nullable=False),
        Column("code", TEXT, "Digest of the code and of the libraries that compute.", nullable=False),
    ),
    key=("stage", "subject"),
)

# In place of every digest of a note: the rows may be of any inputs, for something was killed at them.
UNKNOWN = ""

# In the order in which a change is laid at somebody's door, of several the most fundamental.
MADE_PARTS: tuple[str, ...] = ("files", "registry", "annotations", "definitions", "code")
