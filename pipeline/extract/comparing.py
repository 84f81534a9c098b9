"""Where two extracts differ: which files, which tables, which columns, and the first rows."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.extract.making import MANIFEST

_MOST_COLUMNS, _MOST_ROWS = 5, 3
_BEFORE, _SHOWN = 20, 60  # signs before the first that differs, and in all, of a piece that is shown
# Parts of a manifest that say how an extract was made, not what it is.
_CIRCUMSTANCES = ("code",)


def differences(before: Mapping[str, bytes], again: Mapping[str, bytes]) -> list[str]:
    """
    Say, file by file, where an extract made again is not the one there was; empty where it is.

    A table is compared by its Parquet file, row by row in the order of its key; a manifest part by part.
    A manifest that differs only in the code and the libraries it names is no difference: every other file
    is then the same, byte for byte, and the caller says what made it.
    """
    found = [f"{path}: is missing" for path in sorted(set(again) - set(before))]
    found += [f"{path}: does not belong to the extract" for path in sorted(set(before) - set(again))]
    for path in sorted(set(before) & set(again)):
        if before[path] == again[path]:
            continue
        if path == MANIFEST:
            found += _manifest(before[path], again[path])
        elif path.endswith(".parquet"):
            found += _table(path, before[path], again[path])
        else:
            found.append(f"{path}: {_first_line(path, before[path], again[path])}")
    return found


def _manifest(before: bytes, again: bytes) -> list[str]:
    one, other = _json(before), _json(again)
    if one is None or other is None:
        return [f"{MANIFEST}: is not JSON any more"]
    parts = [p for p in sorted({*one, *other}) if p not in _CIRCUMSTANCES and one.get(p) != other.get(p)]
    return [f"{MANIFEST}: {', '.join(parts)} differ"] if parts else []


def _json(data: bytes) -> dict[str, Any] | None:
    try:
        content = json.loads(data)
    except ValueError:
        return None
    return content if isinstance(content, dict) else None


def _table(path: str, before: bytes, again: bytes) -> list[str]:
    try:
        one, other = (pl.read_parquet(io.BytesIO(data)) for data in (before, again))
    except (pl.exceptions.PolarsError, OSError):
        return [f"{path}: cannot be read as Parquet any more"]
    found = []
    for names, word in (
        ([n for n in other.columns if n not in one.columns], "lacks"),
        ([n for n in one.columns if n not in other.columns], "has beyond what is made again"),
    ):
        if names:
            found.append(f"{path}: {word} {', '.join(names)}")
    if one.height != other.height:
        found.append(f"{path}: {one.height} rows, made again {other.height}")
    shared = [name for name in one.columns if name in other.columns]
    rows = min(one.height, other.height)
    moved = [n for n in shared if not one[n].head(rows).equals(other[n].head(rows), check_dtypes=True)]
    for name in moved[:_MOST_COLUMNS]:
        found.append(f"{path}: column {name}: {_first_rows(one, other, name, rows)}")
    if len(moved) > _MOST_COLUMNS:
        found.append(f"{path}: and {len(moved) - _MOST_COLUMNS} more columns")
    return found or [f"{path}: the same rows in other bytes: another version of the Parquet writer"]


def _first_rows(one: pl.DataFrame, other: pl.DataFrame, name: str, rows: int) -> str:
    pairs = zip(one[name].head(rows).to_list(), other[name].head(rows).to_list(), strict=True)
    apart = [(row, a, b) for row, (a, b) in enumerate(pairs, 1) if a != b or type(a) is not type(b)]
    told = "; ".join(f"row {row}: {_value(a)}, made again {_value(b)}" for row, a, b in apart[:_MOST_ROWS])
    more = f"; and {len(apart) - _MOST_ROWS} more rows" if len(apart) > _MOST_ROWS else ""
    return (told or "of another type") + more


def _value(value: object) -> str:
    return "empty" if value is None else str(value)


def _first_line(path: str, before: bytes, again: bytes) -> str:
    """The first line that differs, around where it does; in a CSV file its cell, and the column's name."""
    one, other = (data.decode("utf-8", "replace").split("\n") for data in (before, again))
    for number, (a, b) in enumerate(zip(one, other, strict=False), 1):
        if a != b:
            cell = _first_cell(one[0], a, b) if path.endswith(".csv") and number > 1 else None
            column, a, b = cell or ("", a, b)
            place = f"line {number}, column {column}," if column else f"line {number}"
            return f"{place} differs: {_around(a, b)}, made again {_around(b, a)}"
    return f"{len(one)} lines, made again {len(other)}"


def _first_cell(header: str, a: str, b: str) -> tuple[str, str, str] | None:
    """Name and both texts of the first cell that differs; null where cells do not lie under the header."""
    try:
        names, one, other = (next(csv.reader([line])) for line in (header, a, b))
    except csv.Error:  # it is no CSV any more
        return None
    if not len(names) == len(one) == len(other):
        return None
    cells = zip(names, one, other, strict=True)
    return next((cell for cell in cells if cell[1] != cell[2]), None)


def _around(line: str, other: str) -> str:
    """The piece of a line in which it leaves another."""
    apart = (at for at, (a, b) in enumerate(zip(line, other, strict=False)) if a != b)
    at = next(apart, min(len(line), len(other)))
    start = at - _BEFORE if len(line) > _SHOWN and at > _BEFORE else 0
    piece = line[start : start + _SHOWN]
    return repr(f"{'...' if start else ''}{piece}{'...' if start + _SHOWN < len(line) else ''}")
