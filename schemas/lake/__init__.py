"""
Tables of the lake: what was loaded, as loaded, and what was computed from it.

A module holds the tables of one matter; all of them are imported from here.
"""

from __future__ import annotations

from schemas.lake.bedside import BEDSIDE
from schemas.lake.columns import READINGS
from schemas.lake.course import (
    AGAINST_LOG,
    ANNOTATIONS,
    COURSE,
    EVIDENCE,
    EVIDENCE_COLUMNS,
    USE_ALERT,
    USE_CANISTER,
    USE_PERIOD,
)
from schemas.lake.loaded import FILE_NAME, LOAD_FILE, MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE
from schemas.lake.uses import QUALITY_DAY, RESOLVED, USE_TABLE

__all__ = [
    "AGAINST_LOG",
    "ANNOTATIONS",
    "BEDSIDE",
    "COURSE",
    "EVIDENCE",
    "EVIDENCE_COLUMNS",
    "FILE_NAME",
    "LOAD_FILE",
    "MINUTE",
    "QUALITY_DAY",
    "READINGS",
    "REJECTED_ROW",
    "REJECTED_VALUE",
    "RESOLVED",
    "TRACE",
    "USE_ALERT",
    "USE_CANISTER",
    "USE_PERIOD",
    "USE_TABLE",
]
