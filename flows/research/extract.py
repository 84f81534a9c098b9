"""`extract`: a cohort's drains, de-identified, into a folder of their own; all of it or nothing."""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from flows.research.extract_source import current_source, lake_versions, require_published
from pipeline.definitions import load_definitions
from pipeline.extract import MANIFEST, Extract, make_extract, read_cohort
from pipeline.store import Home
from schemas.errors import CallError, LedgerError


def run_extract(home: Home, cohort_file: Path, out: Path) -> Extract:
    """
    Make the extract of a cohort in a new folder.

    The folder appears whole or not at all: it is written beside and renamed. What the house may know of it
    and others may not (exact flow counts, the lake's versions) goes to the private store.

    Raises
    ------
    CallError
        When the folder is there and not empty, or lies in the ledger's home.
    InputError
        When there is no published ledger, or the cohort cannot be read or selects nobody.
    LedgerError
        When a load is running, what is published is out of date, or the folder cannot be written.
    """
    cohort = read_cohort(cohort_file)
    require_published(home)
    require_new(out, home, "extract")
    with home.reading():
        source = current_source(home, load_definitions())
        made = make_extract(source, cohort, home.secret())
        versions = lake_versions(home)
    write_folder(made.files, out, "extract")
    _note(home, made, versions)
    return made


def require_new(out: Path, home: Home, command: str) -> None:
    """
    See that a folder to be written is not there yet, or empty, and is no part of the home but `extracts/`.

    Raises
    ------
    CallError
        When it is.
    """
    root, place = home.root.resolve(), out.resolve()
    room = root / "extracts"
    if place == room or (place.is_relative_to(root) and not place.is_relative_to(room)):
        raise CallError(f"{command}: {out} lies in the ledger's own home; write elsewhere, or below {room}.")
    if out.is_file() or (out.is_dir() and any(out.iterdir())):
        raise CallError(f"{command}: {out} is there already and not empty; name a new folder with --out.")


def write_folder(files: Mapping[str, bytes], out: Path, command: str) -> None:
    """
    Write files into a new folder: beside it first, then renamed.

    Raises
    ------
    LedgerError
        When it cannot be written.
    """
    out = out.absolute()
    beside = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        shutil.rmtree(beside, ignore_errors=True)
        for path, data in files.items():
            place = beside / path
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(data)
        if out.is_dir():
            out.rmdir()  # empty, as was asked for; a rename takes its place
        beside.rename(out)
    except OSError as error:
        raise LedgerError(
            f"{command}: {out} cannot be written ({error.strerror}); name another folder with --out."
        ) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def note_of(home: Home, extract_id: str) -> dict[str, Any] | None:
    """What the house noted of an extract when it was made; null where it has no note."""
    path = _note_path(home, extract_id)
    if not path.is_file():
        return None
    note: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return note


def _note(home: Home, made: Extract, versions: Mapping[str, Mapping[str, int]]) -> None:
    note = {
        "manifest_sha256": hashlib.sha256(made.files[MANIFEST]).hexdigest(),
        "flow": made.flow.to_dicts(),
        "drains": _drains(made),  # by the extract's own names: whom an erasure must tell of it
        "lake_versions": versions,
    }
    path = _note_path(home, made.extract_id)
    path.parent.mkdir(mode=0o700, exist_ok=True)
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    part.write_text(json.dumps(note, indent=2), encoding="utf-8")
    part.rename(path)


def _drains(made: Extract) -> list[str]:
    table = pl.read_parquet(io.BytesIO(made.files["parquet/drain.parquet"]))
    return sorted(table["drain_id"])


def _note_path(home: Home, extract_id: str) -> Path:
    return home.private / "extracts" / f"{extract_id}.json"
