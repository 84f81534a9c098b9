"""An erasure carried out: files rewritten, history forgotten, a record left that names nobody."""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import polars as pl

from flows.keeping.upkeep import lakes
from flows.loading.door import erased_of, nameless
from flows.loading.outcome import Outcome
from flows.loading.request import Request
from flows.loading.writing import note_names, read_again
from pipeline.cohort.erased import Erased
from pipeline.store import Home, moments
from pipeline.store.durable import write_whole
from pipeline.store.erasures import Erasure, read_erasures, write_erasure
from pipeline.store.history import forget_history
from pipeline.store.journal import read_readings, reading_of, write_reading
from pipeline.store.moments import Moment
from schemas.lake import FILE_NAME

# Caches and diaries of the private store in which names or values can stand; the ledger does without them.
_CACHES = ("last-fault.txt", "seen.sqlite", "seen.sqlite-wal", "seen.sqlite-shm", "seen.sqlite-journal")
_DIARY = "runs.jsonl"
_SET_ASIDE = "lake.broken-"


def take_up(home: Home, request: Request, now: datetime) -> list[Erasure]:
    """
    Go through the files of erasures that are not done; the caller computes, publishes and concludes.

    The door takes out what is marked. An erasure that was killed is taken up by the next command from its
    record; going through a file once more does nothing.
    """
    open_ones = [erasure for erasure in read_erasures(home.private) if not erasure.done]
    for erasure in open_ones:
        sweep_files(home, erasure, request, now)
    return open_ones


def sweep_files(home: Home, erasure: Erasure, request: Request, now: datetime) -> list[Outcome]:
    """Read the files of an erasure again, through the door."""
    found = [reading_of(home.readings, digest) for digest in erasure.files]
    return read_again(home, [reading for reading in found if reading is not None], request.plain, now)


def conclude(home: Home, erasures: Sequence[Erasure]) -> None:
    """
    Take away what is left of erased data beside the present rows, then note the erasures as done.

    Names and reasons lose erased keys; caches, set-aside lakes, samples and extracts in the home that hold
    erased drains go; every table forgets its earlier versions. What lies outside the home is not touched:
    backups made before, extracts given away, the files in the landing folder.
    """
    if not erasures:
        return
    erased = erased_of(home)
    _clean_names(home, erased)
    for place in _leftovers(home):
        shutil.rmtree(place) if place.is_dir() else place.unlink()
    if home.store is not None:
        for name in home.place.sizes():
            if name.startswith(_SET_ASIDE):
                home.place.remove(name)
    for name in _CACHES:
        (home.private / name).unlink(missing_ok=True)
    _clean_diary(home.private / _DIARY)
    _clean_samples(home, erased)
    _clean_extracts(home, erasures, erased)
    moments.passed(Moment.SWEPT)
    for _, lake, tables in lakes(home):
        for table in tables:
            forget_history(lake, table)
    for erasure in erasures:
        write_erasure(home.private, erasure.finished)


def unsaid(home: Home, change: pl.DataFrame) -> pl.DataFrame:
    """What a publication changed, without the drains that were erased: their names go with them."""
    erased = erased_of(home)
    gone = [name for name in change["drain_id"].unique() if erased.pseudonym(name) in erased.marks]
    return change.filter(~pl.col("drain_id").is_in(gone))


def _clean_names(home: Home, erased: Erased) -> None:
    for reading in read_readings(home.readings):
        name = nameless(reading.name, erased)
        why = None if reading.why is None else nameless(reading.why, erased)
        earlier = tuple(how for how in reading.earlier if not erased.words_in(how[0] or ""))
        cleaned = replace(reading, name=name, why=why, earlier=earlier)
        if cleaned != reading:
            write_reading(home.readings, cleaned)
    names = home.private_lake.scan(FILE_NAME).collect()
    named = [row for row in names.rows() if nameless(row[1], erased) != row[1]]
    if named:
        touched = {digest for digest, _ in named}
        rest = [row for row in names.rows() if row[0] in touched]
        home.private_lake.remove(FILE_NAME, "file_sha256", touched)
        note_names(home, [(nameless(name, erased), digest) for digest, name in rest])


def _leftovers(home: Home) -> list[Path]:
    """Lakes that were set aside, and rooms of verifications and builds that died."""
    return sorted(
        [
            *home.root.glob(f"{_SET_ASIDE}*"),
            *home.private.glob(f"{_SET_ASIDE}*"),
            *home.private.glob("verify-*"),
            *home.root.glob(".*building*"),
            *home.root.glob("report"),
            *home.root.glob("reports"),
        ]
    )


def _clean_diary(path: Path) -> None:
    """What runs said of themselves can hold names; their days, counts and lengths stay."""
    if not path.is_file():
        return
    kept = []
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            kept.append(json.dumps(json.loads(line) | {"said": ""}, ensure_ascii=False))
        except (ValueError, TypeError):
            continue
    write_whole(path, "".join(f"{line}\n" for line in kept).encode())


def _clean_samples(home: Home, erased: Erased) -> None:
    """A sample of strips that holds an erased drain cannot be scored any more: its key goes."""
    for path in (home.private / "samples").glob("*.json"):
        strips = json.loads(path.read_text(encoding="utf-8")).get("strips", [])
        if any(erased.pseudonym(str(strip.get("drain_id"))) in erased.marks for strip in strips):
            path.unlink()


def _clean_extracts(home: Home, erasures: Sequence[Erasure], erased: Erased) -> None:
    touched = {name for erasure in erasures for name in erasure.extracts}
    for name in touched:
        path = home.private / "extracts" / f"{name}.json"
        if path.is_file():
            note = json.loads(path.read_text(encoding="utf-8"))
            write_whole(path, json.dumps(note | {"drains": [], "flow": []}, indent=2).encode())
    for manifest in (home.root / "extracts").glob("*/manifest.json"):
        if json.loads(manifest.read_text(encoding="utf-8")).get("extract_id") in touched:
            shutil.rmtree(manifest.parent)
