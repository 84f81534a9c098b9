"""`datapackage.json`: the extract as any tool that reads Frictionless Data Packages understands it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from pipeline.extract.cohort_file import Cohort
from schemas.table import COUNT, DAY, FLAG, REAL, TEXT, WALL_CLOCK, WHOLE, Column, Table

_PROFILES = "https://datapackage.org/profiles/2.0"
_TYPES = {
    TEXT: "string",
    COUNT: "integer",
    WHOLE: "integer",
    REAL: "number",
    FLAG: "boolean",
    DAY: "date",
    WALL_CLOCK: "datetime",
}
_KINDS = {
    ".csv": ("csv", "text/csv"),
    ".parquet": ("parquet", "application/vnd.apache.parquet"),
    ".svg": ("svg", "image/svg+xml"),
    ".md": ("md", "text/markdown"),
}


def datapackage(
    cohort: Cohort, extract: str, tables: Mapping[str, Table], files: Mapping[str, bytes]
) -> dict[str, Any]:
    """
    Describe the files of an extract after the Data Package standard, version 2.

    Each CSV of a table is a table resource with its Table Schema: types, units (a property of our own,
    `unit`, UCUM), allowed words, bounds, keys and the key to `drain`. The other files are plain resources.
    Each has its size and SHA-256.

    Parameters
    ----------
    tables
        Path of a CSV → the contract of its rows.
    files
        Path → bytes of every file to describe, in order.
    """
    paths = {table.name: path for path, table in tables.items()}
    return {
        "$schema": f"{_PROFILES}/datapackage.json",
        "name": cohort.name,
        "id": extract,
        "title": cohort.title,
        "description": _about(cohort),
        "resources": [_resource(path, data, tables.get(path), paths) for path, data in files.items()],
    }


def _about(cohort: Cohort) -> str:
    what = (
        "De-identified extract of finished chest drainage, for research. Not a monitor or a medical device: "
        "it decides nothing at the bedside. An empty cell is unknown, never nil."
    )
    return f"{cohort.about.strip()} {what}".strip()


def _resource(path: str, data: bytes, table: Table | None, paths: Mapping[str, str]) -> dict[str, Any]:
    stem, dot, ending = path.rpartition("/")[2].rpartition(".")
    kind, media = _KINDS[dot + ending]
    resource: dict[str, Any] = {
        "$schema": f"{_PROFILES}/dataresource.json",
        "name": stem if kind == "csv" else f"{stem}-{kind}".lower(),
        "path": path,
        "format": kind,
        "mediatype": media,
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
    }
    if table is not None:
        resource |= {
            "type": "table",
            "description": table.meaning,
            "encoding": "utf-8",
            "dialect": {"$schema": f"{_PROFILES}/tabledialect.json", "delimiter": ",", "header": True},
            "schema": _schema(table, paths),
        }
    return resource


def _schema(table: Table, paths: Mapping[str, str]) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "$schema": f"{_PROFILES}/tableschema.json",
        "fields": [_field(column) for column in table.columns],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    if "drain_id" in table.names and table.name != "drain" and "drain" in paths:
        reference = {"resource": "drain", "fields": ["drain_id"]}
        schema["foreignKeys"] = [{"fields": ["drain_id"], "reference": reference}]
    return schema


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES[column.dtype],
        "description": column.meaning,
    }
    if column.unit:
        field["unit"] = column.unit
    constraints: dict[str, Any] = {}
    if not column.nullable:
        constraints["required"] = True
    if column.words:
        constraints["enum"] = list(column.words)
    if column.least is not None:
        constraints["minimum"] = column.least
    if column.most is not None:
        constraints["maximum"] = column.most
    if constraints:
        field["constraints"] = constraints
    return field
