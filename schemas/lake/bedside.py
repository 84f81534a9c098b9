"""A drain's minutes as a removal rule may look at them."""

from __future__ import annotations

from schemas.table import COUNT, INSTANT, REAL, TEXT, WHOLE, Column, Table, words_of
from schemas.vocabulary import TidalingBasis

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
