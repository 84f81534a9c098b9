"""
Tables of the published database, `drainledger.duckdb`: what people query.

A module holds the tables of one matter; all of them are imported from here. Views stand in `schemas.views`.
"""

from __future__ import annotations

from schemas.published.columns import DRAIN_ID, PROCEDURE, PROLONGED, REASON, SITE_NAME, UNIT
from schemas.published.course import (
    ALERT,
    CANISTER,
    DRAIN_ANNOTATION,
    DRAIN_DAY,
    DRAIN_USE,
    PERIOD,
    READINESS,
)
from schemas.published.drain import COUNTED_OUTCOME, DRAIN, DRAIN_OUTCOME, OPERATION
from schemas.published.holdings import (
    CHANGE,
    CHART_BASELINE,
    DATA_QUALITY,
    DEFINITION,
    LOAD_FILE_PUBLISHED,
    PROVENANCE,
    REJECTED_ROW_PUBLISHED,
)
from schemas.table import Table

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
    DRAIN_ANNOTATION,
    DRAIN_USE,
    LOAD_FILE_PUBLISHED,
    REJECTED_ROW_PUBLISHED,
    DATA_QUALITY,
    CHANGE,
    CHART_BASELINE,
    PROVENANCE,
)

__all__ = [
    "ALERT",
    "CANISTER",
    "CHANGE",
    "CHART_BASELINE",
    "COUNTED_OUTCOME",
    "DATA_QUALITY",
    "DEFINITION",
    "DRAIN",
    "DRAIN_ANNOTATION",
    "DRAIN_DAY",
    "DRAIN_ID",
    "DRAIN_OUTCOME",
    "DRAIN_USE",
    "LOAD_FILE_PUBLISHED",
    "OPERATION",
    "PERIOD",
    "PROCEDURE",
    "PROLONGED",
    "PROVENANCE",
    "READINESS",
    "REASON",
    "REJECTED_ROW_PUBLISHED",
    "SITE_NAME",
    "TABLES",
    "UNIT",
]
