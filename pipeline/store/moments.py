"""The moments of a load after which the disk holds something new: each is a place where a process may die."""

from __future__ import annotations

from enum import StrEnum


class Moment(StrEnum):
    """What has just been done, in the words of whoever looks at a home after a power cut."""

    WRITTEN_BESIDE = "a file is written under a passing name"
    IN_PLACE = "a file has its own name"
    RAW_KEPT = "a file's raw bytes and how they are to be read are kept"
    BEGUN = "the journal names the files about to be written"
    TAKEN_OUT = "rows of an earlier reading of these files are taken out of a table"
    ROWS_ADDED = "rows as loaded are in a table"
    FILES_NOTED = "the files are noted as loaded"
    ENDED = "the journal is cleared"
    DOUBTED = "owners are noted as made from nobody knows what"
    DERIVED = "a derived table has these owners' new rows"
    MADE_NOTED = "owners are noted as made from their inputs"
    GONE_DROPPED = "a derived table has lost the owners that are gone"
    FORGOTTEN = "owners that are gone have no note any more"
    SET_ASIDE = "a broken lake is put aside"
    BUILT = "the new database is built beside the old one"
    SWAPPED = "the new database is in the old one's place"
    PUBLISHED_NOTED = "what the database was made from is noted"
    COMPACTED = "a table's small files are put together"
    VACUUMED = "files of a table that nothing names are gone"
    LOG_TRIMMED = "entries of a table's log that no kept version needs are gone"
    SWEPT = "what a killed process left behind is gone"


def passed(moment: Moment) -> None:
    """
    Say that a moment has passed; does nothing.

    The tests put a deadly one in its place, in a process of its own, and look at what is left and whether
    the next load makes good. Call it as `moments.passed(...)`, so that they can.
    """
