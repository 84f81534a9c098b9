"""What several tests need: homes with a known key, loads with the clock held still, dumps compared."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from flows.loading.load import Summary, run_load
from flows.loading.request import request_for
from pipeline.marts import dump
from pipeline.store import Home

KEY = bytes(range(32))  # of pseudonyms; the same in every test home so that databases can be compared
NOW = datetime(2031, 6, 1, tzinfo=UTC)

Dump = dict[str, list[tuple[object, ...]]]


def make_home(root: Path, key: bytes = KEY) -> Home:
    """An empty home whose pseudonyms are those of every other test home."""
    home = Home(root)
    home.create()
    secret = home.private / "secret"
    secret.write_text(key.hex())
    secret.chmod(0o600)
    return home


def load(home: Home, paths: list[Path]) -> Summary:
    """One load with the clock held still."""
    return run_load(home, paths, request_for(home), NOW)


def published(home: Home) -> Dump:
    """Every row of the published database but its bookkeeping."""
    return dump(home.database)


def differences(one: Dump, other: Dump, most: int = 5) -> list[str]:
    """The first rows in which two dumps differ, table by table; empty where they are the same."""
    found = [f"table {name} is in one only" for name in sorted(set(one) ^ set(other))]
    for name in sorted(set(one) & set(other)):
        if one[name] != other[name]:
            found.append(f"{name}: {len(one[name])} rows against {len(other[name])}")
            pairs = [(a, b) for a, b in zip(one[name], other[name], strict=False) if a != b]
            found += [f"  {a}\n  {b}" for a, b in pairs[:most]]
    return found
