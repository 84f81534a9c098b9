"""Which file of the ledger somebody means: by the first digits of its digest, its name, or a path to it."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from flows.loading.survey import name_of
from pipeline.store import Home
from pipeline.store.seen import read_sights
from pipeline.store.vault import digest_of
from schemas.errors import CallError
from schemas.lake import FILE_NAME, LOAD_FILE

_LEAST_DIGITS = 4  # of a digest, to name a file by
_DIGITS = 12
_MOST = 8  # files that are listed where several are meant
_TOLD = ("file_sha256", "device", "exported_at", "status")


def find_file(home: Home, name: str) -> str:
    """
    The digest of the one file that is meant.

    Raises
    ------
    CallError
        When no file is meant, or several; lists these.
    """
    found = files_meant(home, name)
    if len(found) == 1:
        return found[0]
    files = home.lake.scan(LOAD_FILE).select(_TOLD).collect()
    told = files.filter(pl.col("file_sha256").is_in(found)).sort("exported_at", "file_sha256").rows()
    some = ", ".join(
        f"{digest[:_DIGITS]} ({device or 'no device'}, exported {at or 'unknown'}, {status})"
        for digest, device, at, status in told[:_MOST]
    )
    more = f" and {len(told) - _MOST} more" if len(told) > _MOST else ""
    raise CallError(f"{name}: {len(found)} files are meant: {some}{more}; name one by its digits.")


def files_meant(home: Home, name: str) -> list[str]:
    """
    Digests of the files that a name can mean, one at least.

    A path means the file whose bytes lie there now, else the one a night saw at a place that ends so, else
    all that were given under its last part: the ledger keeps no folders, for loads may come from anywhere.

    Raises
    ------
    CallError
        When none is meant.
    """
    digests = set(home.lake.scan(LOAD_FILE).select("file_sha256").collect()["file_sha256"])
    names = home.private_lake.scan(FILE_NAME).collect()
    path = Path(name)
    called = set(names.filter(pl.col("name") == name_of(path))["file_sha256"]) & digests
    begun = {d for d in digests if len(name) >= _LEAST_DIGITS and d.startswith(name.lower())}
    found = called | begun
    if len(found) != 1 or len(path.parts) > 1:
        found = (_lying_at(path) & digests) or (_seen_at(home, path) & digests) or found
    if not found:
        raise CallError(
            f"{name}: no file of that digest or name is known here; `drainledger status` lists digests and "
            "names (four digits of a digest at least)."
        )
    return sorted(found)


def _lying_at(path: Path) -> set[str]:
    try:
        return {digest_of(path.read_bytes())}
    except OSError:
        return set()


def _seen_at(home: Home, path: Path) -> set[str]:
    """By the end of the path where a night saw it lie, as `status` and `rejected` print it."""
    if len(path.parts) < 2:
        return set()
    parts = path.parts
    sights = read_sights(home.private).values()
    return {s.digest for s in sights if s.digest is not None and s.path.parts[-len(parts) :] == parts}


def names_of(home: Home, digest: str) -> list[str]:
    """Every name under which these bytes were ever given."""
    names = home.private_lake.scan(FILE_NAME).filter(pl.col("file_sha256") == digest).collect()
    return sorted(set(names["name"]))
