"""A table's past taken away: what was erased must not lie in an earlier version of it."""

from __future__ import annotations

import re

from pipeline.store import moments
from pipeline.store.lake import KEPT, Lake
from pipeline.store.moments import Moment
from schemas.table import Table

_LOG = "_delta_log/"
_ENTRY = re.compile(r"(\d{20})\.")


def forget_history(lake: Lake, table: Table) -> int:
    """
    Take away every file and log entry that the table as it stands does not need; returns how many.

    Earlier versions cannot be read afterwards; the table keeps its rows and its version number. Log entries
    hold the least and greatest value of each column, so they go as well: a checkpoint of the present version
    stands in for them. Killed half-way the table reads the same, and doing it again does the rest.
    """
    if not lake.has(table):
        return 0
    # The last entry of the log must not be one that names what was deleted.
    lake.open(table).alter.set_table_properties(KEPT)
    opened = lake.open(table)
    version = opened.version()
    opened.create_checkpoint()
    moments.passed(Moment.LOG_TRIMMED)
    place = lake.place.child(table.name)
    held = set(opened.get_add_actions(flatten=True)["path"].to_pylist())
    old = []
    for name in place.sizes():
        if name.startswith(_LOG):
            entry = _ENTRY.match(name.removeprefix(_LOG))
            if entry is not None and int(entry[1]) < version:
                old.append(name)
        elif name not in held:
            old.append(name)
    for name in sorted(old):
        place.remove(name)
    moments.passed(Moment.VACUUMED)
    return len(old)
