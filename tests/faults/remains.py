"""What is in a home: everything it holds, to be compared exactly, and what should not be lying about."""

from __future__ import annotations

import hashlib
from pathlib import Path

import polars as pl
from deltalake import DeltaTable

from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE
from pipeline.marts import dump
from pipeline.store import Home
from pipeline.store.lake import Lake
from schemas.derivation import MADE
from schemas.lake import FILE_NAME, LOAD_FILE, MINUTE, REJECTED_ROW, REJECTED_VALUE, TRACE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.table import Table

_OPEN = (MINUTE, TRACE, REJECTED_ROW, LOAD_FILE, *DEVICE_TABLES, *DRAIN_STAGE, MADE)
_CLOSED = (REJECTED_VALUE, FILE_NAME, REGISTRY_DRAIN, ANNOTATION)

Contents = dict[str, list[str]]


def contents(home: Home) -> Contents:
    """Every row of the database, of every table of the lake and of the private store, and every raw file's digest."""
    found = {f"database: {name}": sorted(map(repr, rows)) for name, rows in dump(home.database).items()}
    for place, lake, tables in (("lake", home.lake, _OPEN), ("private", home.private_lake, _CLOSED)):
        found |= {f"{place}: {table.name}": rows_of(lake, table) for table in tables}
    for place, folder in (("raw", home.root / "raw"), ("private raw", home.private / "raw")):
        files = sorted(path for path in folder.glob("*/*") if path.is_file())
        assert all(path.name == hashlib.sha256(path.read_bytes()).hexdigest() for path in files)
        found[place] = [path.name for path in files]
    found["readings"] = sorted(path.read_text() for path in home.readings.glob("*/*.json"))
    return found


def rows_of(lake: Lake, table: Table) -> list[str]:
    """Every row of a table of the lake, without the moment of loading."""
    frame = lake.scan(table).collect()
    return sorted(map(repr, frame.drop("loaded_at", strict=False).rows()))


def differences(one: Contents, other: Contents) -> list[str]:
    """Which parts of two homes differ, and by what; empty where they are the same."""
    found = []
    for part in sorted(set(one) | set(other)):
        here, there = one.get(part, []), other.get(part, [])
        if here != there:
            lost, gained = sorted(set(there) - set(here))[:2], sorted(set(here) - set(there))[:2]
            found.append(f"{part}: {len(here)} rows against {len(there)}; lost {lost}; gained {gained}"[:600])
    return found


def strays(home: Home) -> list[str]:
    """Files that only a process at work may have: passing names, half a build, a journal, a write-ahead log."""
    passing = ("*.part", "*.building-*", "verify-*", "*.wal", "pending.json", "secret.*", "*.tmp", "*#*")
    found = {path for pattern in passing for path in home.root.rglob(pattern)}
    return sorted(str(path.relative_to(home.root)) for path in found)


def orphans(home: Home) -> list[str]:
    """Parquet files of the lake that no version of its table names: written, but never committed."""
    found = []
    for lake in (home.root / "lake", home.private / "lake"):
        for log in sorted(lake.glob("*/_delta_log")):
            named = {a["path"] for a in _added(log.parent)}
            parts = {
                str(p.relative_to(log.parent)) for p in log.parent.rglob("*.parquet") if log not in p.parents
            }
            found += [f"{log.parent.name}/{part}" for part in sorted(parts - named)]
    return found


def _added(table: Path) -> list[dict[str, str]]:
    newest = DeltaTable(str(table)).version()
    added: list[dict[str, str]] = []
    for version in range(newest + 1):
        try:
            actions = DeltaTable(str(table), version=version).get_add_actions(flatten=True)
        except Exception:
            continue
        added += pl.DataFrame(actions).select("path").to_dicts()
    return added
