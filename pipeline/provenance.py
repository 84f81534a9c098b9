"""What made a result: digests of the code, of the libraries that compute, and of inputs."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from functools import cache
from importlib.metadata import version
from pathlib import Path

import polars as pl
from pydantic import BaseModel

import pipeline
import schemas

# Their release can move a last digit or a tie; the others only carry data.
_COMPUTING_LIBRARIES = ("numpy", "polars", "scipy", "duckdb", "tzdata")
# Profiles are no part of this: each file has its own, recorded with it.
_READING = (
    "pipeline/ingest",
    "pipeline/cohort/cells.py",
    "pipeline/cohort/contradictions.py",
    "pipeline/cohort/paper.py",
    "pipeline/cohort/registry.py",
    "pipeline/cohort/unread_columns.py",
    "pipeline/meant.py",
    "pipeline/signal/decode.py",
    "pipeline/zones.py",
    "schemas/lake/columns.py",
    "schemas/lake/loaded.py",
    "schemas/registry.py",
    "schemas/table.py",
    "schemas/vocabulary.py",
)


@cache
def code_digest() -> str:
    """
    SHA-256 over the sources of `schemas` and `pipeline` and the versions of the libraries that compute.

    Two installations with the same digest give the same database from the same inputs.
    """
    hashed = hashlib.sha256()
    for package in (schemas, pipeline):
        root = Path(str(package.__file__)).parent
        for path in sorted(p for p in root.rglob("*") if p.suffix in {".py", ".sql"}):
            hashed.update(f"{package.__name__}/{path.relative_to(root).as_posix()}\0".encode())
            hashed.update(path.read_bytes())
    for library in _COMPUTING_LIBRARIES:
        hashed.update(f"{library}=={version(library)}\0".encode())
    return hashed.hexdigest()


@cache
def reading_digest() -> str:
    """SHA-256 over the sources and libraries that turn a file's bytes into rows, and over no others."""
    hashed = hashlib.sha256()
    root = Path(str(pipeline.__file__)).parent.parent
    for name in _READING:
        place = root / name
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            hashed.update(f"{path.relative_to(root).as_posix()}\0".encode())
            hashed.update(path.read_bytes())
    for library in ("polars", "tzdata"):
        hashed.update(f"{library}=={version(library)}\0".encode())
    return hashed.hexdigest()


def code_version() -> str:
    """Version of the project and the first digits of its code's digest, as published."""
    return f"{version('drainledger')}+{code_digest()[:12]}"


def digest_of_texts(texts: Iterable[str]) -> str:
    """
    SHA-256 of texts in the given order; a text's length is part of it, so no two lists collide.

    Examples
    --------
    >>> digest_of_texts(["ab", "c"]) == digest_of_texts(["a", "bc"])
    False
    """
    encoded = [text.encode() for text in texts]
    return hashlib.sha256(b"".join(b"%d:%b" % (len(data), data) for data in encoded)).hexdigest()


def digest_of_sections(definitions: BaseModel, sections: Iterable[str]) -> str:
    """SHA-256 of some sections of the definitions: a figure of another one leaves it alone."""
    values = definitions.model_dump(mode="json", include=set(sections))
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()


def digest_groups(frame: pl.DataFrame, key: str) -> dict[str, str]:
    """
    One SHA-256 a value of a text column over all rows that hold it, exact to the bit and in their order.

    Each row counts with the 64 bits that Polars makes of it, the same wherever the row lies in memory. A
    release of Polars may make others; with it `code_digest` is another too.

    Parameters
    ----------
    frame
        Rows of one value stand together.
    """
    hashes = frame.select(_to_the_bit(name, dtype) for name, dtype in frame.schema.items()).hash_rows()
    digests: dict[str, str] = {}
    first = 0
    for height, value in frame.select(pl.col(key).rle()).unnest(key).rows():
        some = hashes.slice(first, height).to_numpy()
        digests[value] = hashlib.sha256(some.tobytes()).hexdigest()
        first += height
    return digests


def _to_the_bit(name: str, dtype: pl.DataType) -> pl.Expr:
    """A column so that numbers which are equal and yet not the same (0 and -0) are told apart."""
    column = pl.col(name)
    if dtype == pl.Float64:
        return column.reinterpret(dtype=pl.UInt64)
    if dtype == pl.List(pl.Float32):
        return column.list.eval(pl.element().reinterpret(dtype=pl.UInt32))
    return column


def digest_rows(frame: pl.DataFrame, columns: Iterable[str]) -> pl.Series:
    """One SHA-256 a row over the columns' values, as text."""
    encoded = frame.select(pl.struct(list(columns)).struct.json_encode()).to_series()
    return pl.Series(
        "digest", [hashlib.sha256(text.encode()).hexdigest() for text in encoded.to_list()], dtype=pl.String
    )
