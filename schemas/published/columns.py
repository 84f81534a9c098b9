"""Columns that several tables of the published database share."""

from __future__ import annotations

from schemas.table import TEXT, Column, words_of
from schemas.vocabulary import OutcomeReason, ProlongedLeak

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
