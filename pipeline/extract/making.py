"""An extract, whole: from the ledger's tables and a cohort to the bytes of every file."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import polars as pl

from pipeline.definitions import Definitions
from pipeline.extract.cohort_file import Cohort
from pipeline.extract.datapackage import datapackage
from pipeline.extract.dictionary import dictionary, dictionary_page
from pipeline.extract.flow_diagram import flow_diagram
from pipeline.extract.front_page import front_page
from pipeline.extract.keys import ExtractKey, extract_id
from pipeline.extract.own_words import IdleWord, idle_words
from pipeline.extract.release import Released, least_cell, release
from pipeline.extract.sealing import sealed, unsealed
from pipeline.extract.selection import FLOW, candidates, select_drains
from pipeline.extract.suppression import suppressed
from pipeline.extract.writing import csv_bytes, json_bytes, parquet_bytes
from pipeline.provenance import code_digest, code_version

MANIFEST = "manifest.json"
FORMAT = 1
# Their release can move a byte of an extract.
LIBRARIES = ("polars", "numpy", "scipy", "duckdb", "tzdata", "altair", "vl-convert-python")


@dataclass(frozen=True)
class FileInForce:
    """
    A raw file that the ledger stands on: its digest, its kind and how it was read.

    What it was read with may say whose it is (its name, its site): in a manifest that is sealed.
    """

    sha256: str
    kind: str
    read_as: str


@dataclass(frozen=True)
class Source:
    """
    What an extract is made from.

    Parameters
    ----------
    drains
        `Claims.drains`: the private store's side of every drain.
    frames
        The published tables of drains by name.
    hours
        Gives DRAIN_HOUR of the drains it is handed (`drain_id`, `origin_at`).
    files
        Every log, registry and annotation file in force, by digest.
    rules
        The removal rules behind `readiness`, as data.
    findings
        `Claims.findings`: what does not fit between registry and logs.
    """

    drains: pl.DataFrame
    frames: Mapping[str, pl.DataFrame]
    hours: Callable[[pl.DataFrame], pl.DataFrame]
    files: tuple[FileInForce, ...]
    rules: tuple[Mapping[str, Any], ...]
    definitions: Definitions
    findings: pl.DataFrame


@dataclass(frozen=True)
class Extract:
    """
    The files of an extract, by their path in its folder, and what its maker may know beside them.

    `flow` is FLOW with every count, for the house; the one among the files has small counts hidden.
    `patients` are those known by name; how many stand behind the `patient_unknown` drains nobody can tell.
    `unmapped`: drains of the extract whose word no mapping names, by column; `unmapped_out`: those that a
    criterion left out for that, by column. `idle`: words of the mappings that no drain of the ledger has.
    """

    extract_id: str
    files: Mapping[str, bytes]
    flow: pl.DataFrame
    rows: Mapping[str, int]
    patients: int
    patient_unknown: int
    unmapped: Mapping[str, int]
    unmapped_out: Mapping[str, int]
    idle: tuple[IdleWord, ...]
    findings: Mapping[str, int]


def make_extract(source: Source, cohort: Cohort, secret: bytes, again: str | None = None) -> Extract:
    """
    Make every file of an extract.

    A pure function of its inputs: no clock, no chance, fixed order, fixed writers. The same cohort on the
    same files, definitions and rules is the same extract with the same pseudonyms, wherever and whenever.

    Parameters
    ----------
    secret
        The ledger's secret: key of pseudonyms, shifts and seals.
    again
        The id of an extract to be made again from its manifest's (sealed) cohort.

    Raises
    ------
    InputError
        When the cohort names what the ledger does not have, or selects nobody.
    """
    extract = again or _identity(source, cohort, secret)
    key = ExtractKey(secret, extract)
    drains = candidates(source.frames["drain"], source.drains)
    cohort = unsealed(cohort, key, drains)
    chosen = select_drains(drains, cohort)
    frames = dict(source.frames)
    if cohort.give.hourly:
        frames["drain_hour"] = source.hours(chosen.drains.select("drain_id", "origin_at"))
    tables = release(chosen.drains, frames, cohort, key, source.definitions)
    told = suppressed(chosen.flow, least_cell(cohort, source.definitions))
    files = _files(cohort, extract, tables, told, least_cell(cohort, source.definitions))
    files[MANIFEST] = json_bytes(_manifest(source, sealed(cohort, key), key, files))
    patients = next(made.rows["patient_id"] for made in tables if made.table.name == "drain")
    return Extract(
        extract_id=extract,
        files=files,
        flow=chosen.flow,
        rows={made.table.name: made.rows.height for made in tables},
        patients=patients.drop_nulls().n_unique(),
        patient_unknown=patients.null_count(),
        unmapped=_unmapped(chosen.drains),
        unmapped_out=chosen.unmapped_out,
        idle=idle_words(drains, cohort),
        findings=_doubted(source.findings, chosen.drains),
    )


def _identity(source: Source, cohort: Cohort, secret: bytes) -> str:
    return extract_id(
        secret,
        str(FORMAT),
        cohort.canonical(),
        *(f"{file.sha256} {file.kind} {file.read_as}" for file in source.files),
        source.definitions.digest,
        *(json.dumps(rule, sort_keys=True) for rule in source.rules),
    )


def _files(
    cohort: Cohort, extract: str, tables: list[Released], flow: pl.DataFrame, least: int
) -> dict[str, bytes]:
    contracts = [made.table for made in tables]
    written = {"README.md": front_page(cohort, extract, tables, least).encode()}
    for made in tables:
        written[f"csv/{made.table.name}.csv"] = csv_bytes(made.rows)
    for made in tables:
        written[f"parquet/{made.table.name}.parquet"] = parquet_bytes(made.rows)
    written |= {
        "dictionary.csv": csv_bytes(dictionary([*contracts, FLOW])),
        "dictionary.md": dictionary_page([*contracts, FLOW], cohort.title).encode(),
        "flow.csv": csv_bytes(FLOW.conform(flow)),
        "flow.svg": flow_diagram(flow, cohort.title),
    }
    described = {f"csv/{table.name}.csv": table for table in contracts} | {"flow.csv": FLOW}
    package = datapackage(cohort, extract, described, written)
    return written | {"datapackage.json": json_bytes(package)}


def _manifest(source: Source, cohort: Cohort, key: ExtractKey, files: Mapping[str, bytes]) -> dict[str, Any]:
    return {
        "drainledger_extract": FORMAT,
        "extract_id": key.extract,
        "key_check": key.check(),
        "cohort": json.loads(cohort.canonical()),
        "code": {
            "version": code_version(),
            "digest": code_digest(),
            "libraries": {name: version(name) for name in LIBRARIES},
        },
        "definitions": {
            "digest": source.definitions.digest,
            "values": source.definitions.model_dump(mode="json"),
        },
        "rules": [dict(rule) for rule in source.rules],
        "inputs": [
            {"sha256": f.sha256, "kind": f.kind, "read_as": key.seal("reading", f.read_as)}
            for f in source.files
        ],
        "outputs": [
            {"path": path, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for path, data in files.items()
        ],
    }


def _unmapped(drains: pl.DataFrame) -> dict[str, int]:
    """How many drains have a word that the mapping does not name, by column."""
    columns = [name for name in drains.columns if name.endswith("_mapped")]
    counts = {
        name.removesuffix("_mapped"): drains.filter(pl.col(name) == "unmapped").height for name in columns
    }
    return {name: count for name, count in counts.items() if count}


def _doubted(findings: pl.DataFrame, drains: pl.DataFrame) -> dict[str, int]:
    """How many of the drains a finding about the registry concerns, by finding."""
    theirs = findings.join(drains, on="drain_id", how="semi")
    counts = theirs.group_by("finding").agg(pl.col("drain_id").n_unique()).sort("finding")
    return dict(counts.rows())
