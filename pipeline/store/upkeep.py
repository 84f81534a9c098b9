"""
A table of the lake kept in shape: small files put together, files and log entries nobody needs taken away.

The rows stay what they are. Each step is a commit of its own or takes away what no kept version names, so a
process killed in between leaves a table that reads the same, and doing it again goes on where it stopped.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, replace

from deltalake import DeltaTable
from deltalake.exceptions import DeltaError

from pipeline.definitions import UpkeepRules
from pipeline.store import moments
from pipeline.store.encoding import writer_properties
from pipeline.store.lake import Lake
from pipeline.store.moments import Moment
from schemas.table import Table

_LOG_ENTRY = re.compile(r"_delta_log/(\d{20})\.(?:json|checkpoint\.parquet)")


@dataclass(frozen=True)
class Tended:
    """What was done to one table; `kept`: earlier versions that stay readable whatever their age."""

    table: str
    files_before: int
    files_after: int
    removed: int
    removed_bytes: int
    log_removed: int
    kept: tuple[int, ...]


def tend(lake: Lake, table: Table, keep: Collection[int], rules: UpkeepRules) -> Tended:
    """
    Compact, vacuum and trim one table.

    Parameters
    ----------
    keep
        Versions that must stay readable: an extract or the published database names them. One that the
        table does not have, or has no longer, is passed over.

    Notes
    -----
    Compaction rewrites a partition's files below `file_most` bytes as one, in their order, in one commit.
    Vacuum takes away files that neither the table as it stands nor a kept version names, once they have
    been out of use for `reader_hours`: whoever opened an earlier database may still be reading them. The
    log is trimmed up to the oldest kept version, from a checkpoint of just that version, once it has more
    than `log_entries` entries before it. (`delta.logRetentionDuration` and
    `delta.deletedFileRetentionDuration` are a hundred years, so that no library tidies by age alone.)
    """
    before = _count(lake.open(table))
    _compact(lake, table, rules)
    moments.passed(Moment.COMPACTED)
    kept = _readable(lake, table, keep)
    removed, size = _vacuum(lake, table, kept, rules)
    moments.passed(Moment.VACUUMED)
    trimmed = _trim(lake, table, kept, rules)
    moments.passed(Moment.LOG_TRIMMED)
    return Tended(table.name, before, _count(lake.open(table)), removed, size, trimmed, kept)


def _at(lake: Lake, table: Table, version: int) -> DeltaTable:
    return replace(lake, versions={table.name: version}).open(table)


def _count(table: DeltaTable) -> int:
    return len(table.file_uris())


def _compact(lake: Lake, table: Table, rules: UpkeepRules) -> None:
    # One task at a time: a partition's rows are in memory while they are rewritten.
    lake.open(table).optimize.compact(
        target_size=rules.file_most, max_concurrent_tasks=1, writer_properties=writer_properties(table)
    )


def _readable(lake: Lake, table: Table, keep: Collection[int]) -> tuple[int, ...]:
    found = []
    for version in sorted(set(keep)):
        try:
            _at(lake, table, version)
        except DeltaError:
            continue  # of a lake that was set aside since, or not reached yet
        found.append(version)
    return tuple(found)


def _vacuum(lake: Lake, table: Table, kept: Collection[int], rules: UpkeepRules) -> tuple[int, int]:
    def vacuum(*, dry_run: bool) -> list[str]:
        return lake.open(table).vacuum(
            retention_hours=rules.reader_hours,
            dry_run=dry_run,
            enforce_retention_duration=False,
            full=True,  # also what a killed load wrote and never committed
            keep_versions=list(kept),
        )

    there = lake.place.child(table.name).sizes()
    doomed = {name for name in vacuum(dry_run=True) if name in there}  # it also names what went long ago
    if doomed:  # each real run adds two entries to the log: nothing to do must stay nothing done
        vacuum(dry_run=False)
    return len(doomed), sum(there[name] for name in doomed)


def _trim(lake: Lake, table: Table, kept: Collection[int], rules: UpkeepRules) -> int:
    """Take log entries before the oldest kept version away, oldest first."""
    place = lake.place.child(table.name)
    current = lake.open(table).version()
    oldest = min([*kept, current])
    entries = sorted((int(m[1]), name) for name in place.sizes() if (m := _LOG_ENTRY.fullmatch(name)))
    old = [name for version, name in entries if version < oldest]
    if len(old) <= rules.log_entries:
        return 0
    for version in sorted({oldest, current}):  # the newest last: the log's own hint then points to it
        _at(lake, table, version).create_checkpoint()
    for name in old:
        place.remove(name)
    return len(old)
