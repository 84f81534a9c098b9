"""`maintain`: the lake kept in shape without changing a row, and what dead processes left swept."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE
from pipeline.definitions import UpkeepRules, load_definitions
from pipeline.query.reader import reader
from pipeline.store import Home
from pipeline.store.lake import Lake
from pipeline.store.sweeping import Leftover, sweep
from pipeline.store.upkeep import Tended, tend
from schemas.derivation import MADE
from schemas.errors import LakeError, LedgerError
from schemas.lake import FILE_NAME, LOAD_FILE, MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE
from schemas.published import PROVENANCE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.table import Table

OPEN_TABLES: tuple[Table, ...] = (
    MINUTE, TRACE, REJECTED_ROW, LOAD_FILE, *DEVICE_TABLES, *DRAIN_STAGE, MADE,
)  # fmt: skip
PRIVATE_TABLES: tuple[Table, ...] = (REJECTED_VALUE, FILE_NAME, REGISTRY_DRAIN, ANNOTATION)

# Table → versions that must stay readable, for the open and for the private lake.
Named = dict[str, dict[str, set[int]]]


@dataclass(frozen=True)
class Upkeep:
    """What maintenance did: table by table, what was swept, bytes of the lake before and after."""

    tables: tuple[Tended, ...]
    swept: tuple[Leftover, ...]
    bytes_before: int
    bytes_after: int

    @property
    def freed(self) -> int:
        """Bytes of the files that were taken away."""
        return sum(t.removed_bytes for t in self.tables) + sum(leftover.size for leftover in self.swept)

    def facts(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        return {
            "bytes_before": self.bytes_before,
            "bytes_after": self.bytes_after,
            "freed_bytes": self.freed,
            "swept": len(self.swept),
            "tables": [tended.__dict__ | {"kept": list(tended.kept)} for tended in self.tables],
        }


def maintain(home: Home, *, rules: UpkeepRules | None = None) -> Upkeep:
    """
    Keep the lake in shape: compact, vacuum and trim each table, sweep leftovers. Changes no row.

    What the published database, an extract's note or a reader of an earlier database still needs stays.
    Killed half-way it has done a part of it; running it again does the rest, and once more does nothing.

    Parameters
    ----------
    rules
        Null: `[upkeep]` of the definitions.

    Raises
    ------
    LedgerError
        When there is no ledger, something else is at work, a table cannot be opened, or it cannot be told
        which versions are needed.
    """
    if not home.exists():
        raise LedgerError(f"home {home.root}: there is no ledger here; load files first.")
    rules = load_definitions().upkeep if rules is None else rules
    with home.locked():
        needed = named_versions(home)
        before = _size(home)
        swept = sweep(home.root)
        tables = [
            _tended(lake, table, needed[place].get(table.name, set()), rules)
            for place, lake, some in lakes(home)
            for table in some
            if lake.has(table)
        ]
        return Upkeep(tuple(tables), tuple(swept), before, _size(home))


def lakes(home: Home) -> tuple[tuple[str, Lake, tuple[Table, ...]], ...]:
    """The two lakes of a home by the words an extract's note has for them, and their tables."""
    return ("lake", home.lake, OPEN_TABLES), ("private", home.private_lake, PRIVATE_TABLES)


def named_versions(home: Home) -> Named:
    """
    The lake's versions that something outside the lake names: extracts' notes and the published database.

    Raises
    ------
    LedgerError
        When a note or the database cannot be read; then nobody can tell what may go.
    """
    named: Named = {"lake": defaultdict(set), "private": defaultdict(set)}
    for path in sorted((home.private / "extracts").glob("*.json")):
        for place, versions in _noted(path).items():
            for table, version in versions.items():
                named[place][table].add(version)
    if home.database.exists():
        for table, published in _published(home.database).items():
            if published is not None:
                named["lake"][table].add(published)
    return named


def _noted(path: Path) -> dict[str, dict[str, int]]:
    try:
        versions = json.loads(path.read_text(encoding="utf-8"))["lake_versions"]
        return {place: {t: int(v) for t, v in versions[place].items()} for place in ("lake", "private")}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise LedgerError(
            f"{path}: this extract's note cannot be read ({type(error).__name__}), so nobody can tell which "
            "versions it needs; restore it from a backup, or remove it: the extract is then verified from "
            "the raw files."
        ) from error


def _published(database: Path) -> dict[str, int | None]:
    try:
        with reader(database) as connection:
            row = connection.execute(f"SELECT lake_versions FROM {PROVENANCE.name}").fetchone()
        return dict(json.loads(row[0])) if row else {}
    except (duckdb.Error, LedgerError, ValueError) as error:
        raise LedgerError(
            f"{database.name}: cannot be read, so nobody can tell which files of the lake it needs; run "
            "`drainledger rebuild`, then maintain."
        ) from error


def _tended(lake: Lake, table: Table, keep: set[int], rules: UpkeepRules) -> Tended:
    try:
        return tend(lake, table, keep, rules)
    except OSError:
        raise
    except Exception as error:  # the many exceptions of a broken Delta table are not one family
        first = str(error).strip().splitlines()[0][:200] if str(error).strip() else type(error).__name__
        raise LakeError(
            f"lake table {table.name}: cannot be put in shape ({first}); run `drainledger rebuild`."
        ) from error


def _size(home: Home) -> int:
    return home.lake.size_bytes() + home.private_lake.size_bytes()
