"""What an erasure would take away: whose drains, which minutes of which devices, which files and extracts."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import polars as pl

from flows.keeping.erasure_reach import marks_of, stretches_of
from flows.loading.derive import claims_now
from flows.loading.door import erased_of, nameless
from flows.loading.reading import head_of
from flows.loading.request import Request
from flows.loading.stale import read_ward
from flows.loading.vaults import vault_of
from pipeline.cohort import standing
from pipeline.cohort.claims import Claims
from pipeline.cohort.erased import Erased, is_telling
from pipeline.cohort.paper import RegistryKind, Unreadable
from pipeline.cohort.registry import layout_columns, needed_columns
from pipeline.cohort.struck import strike
from pipeline.definitions import Definitions
from pipeline.extract.keys import ExtractKey
from pipeline.store import Home
from pipeline.store.journal import read_readings
from schemas.errors import InputError
from schemas.lake import LOAD_FILE
from schemas.registry import REGISTRY_DRAIN

_DRAIN = ["site", "drain_key"]


@dataclass(frozen=True)
class Target:
    """
    Whose data are to go: a patient, a drain, everything that ended before a moment, or files.

    `key` is the hospital's, at `site`; of a drain it may be the name it is published under, without a site.
    """

    asked: str
    site: str | None = None
    key: str | None = None
    before: datetime | None = None
    files: tuple[str, ...] = ()


@dataclass(frozen=True)
class Plan:
    """
    What would go.

    `counts` as in an erasure's record. `unsure`: extracts of which the house does not know whom they hold.
    `beside`: rows of others that go too, for they stand at the very same minute of the same session.
    """

    marks: frozenset[str]
    drain_ids: tuple[str, ...]
    counts: Mapping[str, int]
    files: tuple[str, ...]
    extracts: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    unread: int = 0
    beside: int = 0
    words: tuple[str, ...] = field(default=(), repr=False)


def plan_erasure(home: Home, target: Target, request: Request) -> Plan:
    """
    Find everything of a target in the ledger; nothing is changed.

    The drains are the registry's, withdrawn files included, or a use that no registry claims. Of a device use
    that only these drains claim, all minutes go; of a use that serves others too, their stretches and the
    minutes nobody claims that follow them (or, at the use's begin, come before them).

    A plan without marks: nothing is so old.

    Raises
    ------
    InputError
        When there is nothing of that key, or no file of that digest.
    """
    erased = Erased(home.secret(), frozenset())
    if target.asked == "file":
        whole = frozenset(mark(digest) for digest in target.files for mark in (erased.file, erased.was))
        return Plan(whole, (), {"files": len(target.files)}, target.files)
    rows_ever = home.private_lake.scan(REGISTRY_DRAIN).collect()
    known = standing(rows_ever)
    claims = claims_now(home, read_ward(home))
    keys, uses_alone, drain_ids = _whose(target, known, claims)
    if not keys.height and not uses_alone and not _was_theirs(target, rows_ever):
        if target.asked == "age":
            return Plan(
                frozenset(), (), dict.fromkeys(("drains", "uses", "rows", "paper_rows", "files"), 0), ()
            )
        raise InputError(_nobody(home, target))
    words = _words(target, keys)
    marks = set(_names(erased, target, keys, drain_ids, words))
    stretches = stretches_of(home, known, keys, uses_alone)
    rows = beside = 0
    by_file: set[str] = set()
    for some, collided, hit, holding in marks_of(home, stretches, erased, request):
        marks |= some
        rows, beside = rows + hit, beside + collided
        by_file |= holding
    told = erased.with_marks(marks)
    papers, paper_rows, unread = _papers(home, told, target, request.definitions)
    files = tuple(sorted(by_file | papers))
    marks |= {erased.was(digest) for digest in files}
    extracts, unsure = _extracts(home, drain_ids)
    counts = {
        "drains": keys.height + len(uses_alone),
        "uses": len({use for _, use, *_ in stretches}),
        "rows": rows,
        "paper_rows": paper_rows,
        "files": len(files),
    }
    return Plan(frozenset(marks), drain_ids, counts, files, extracts, unsure, unread, beside, words)


def _whose(
    target: Target, known: pl.DataFrame, claims: Claims
) -> tuple[pl.DataFrame, list[str], tuple[str, ...]]:
    """The registry's drains (site, drain_key), the unlinked uses, and the names both are published under."""
    drains = claims.drains
    spans = claims.drain_use.group_by("drain_id").agg(last=pl.col("until_at").max())
    drains = drains.join(spans, on="drain_id", how="left")
    if target.asked == "patient":
        keys = known.filter(pl.col("site") == target.site, pl.col("patient_key") == target.key)
        alone = drains.clear()
    elif target.asked == "drain":
        named = drains.filter(pl.col("drain_id") == target.key)
        linked = named.filter("linked").select(_DRAIN)
        by_key = (pl.col("site") == (target.site or "")) & (pl.col("drain_key") == target.key)
        keys = pl.concat([known.filter(by_key).select(_DRAIN), linked])
        alone = named.filter(~pl.col("linked"))
    else:
        ended = pl.max_horizontal("tube_out_at", "last")
        old = drains.filter(pl.coalesce(ended, "tube_in_at") < target.before)
        unseen = known.join(drains, on=_DRAIN, how="anti").filter(
            pl.coalesce("tube_out_at", "tube_in_at") < target.before
        )
        keys = pl.concat([old.filter("linked").select(_DRAIN), unseen.select(_DRAIN)])
        alone = old.filter(~pl.col("linked"))
    keys = keys.select(_DRAIN).unique().sort(_DRAIN)
    ids = pl.concat([drains.join(keys, on=_DRAIN, how="semi")["drain_id"], alone["drain_id"]])
    use_ids = claims.drain_use.join(alone.select("drain_id"), on="drain_id", how="semi")["use_id"]
    return keys, sorted(use_ids.unique()), tuple(sorted(ids))


def _was_theirs(target: Target, rows: pl.DataFrame) -> bool:
    """Whether a row that was corrected since names the patient: the drain is another's, the row goes."""
    theirs = (pl.col("site") == (target.site or "")) & (pl.col("patient_key") == (target.key or ""))
    return target.asked == "patient" and rows.filter(theirs).height > 0


def _nobody(home: Home, target: Target) -> str:
    erased = erased_of(home)
    site = target.site or ""
    was = {erased.patient(site, target.key or ""), erased.drain(site, target.key or "")} & erased.marks
    if was:
        return f"erase: what this ledger had of that {target.asked} at {site} was erased already."
    return f"erase: no {target.asked} of that key is known at {site or 'any site'}; check --site and the key."


def _words(target: Target, keys: pl.DataFrame) -> tuple[str, ...]:
    own = [target.key] if target.asked == "patient" and target.key else []
    return tuple(sorted({word for word in [*own, *keys["drain_key"]] if is_telling(word)}))


def _names(
    erased: Erased, target: Target, keys: pl.DataFrame, drain_ids: Sequence[str], words: Sequence[str]
) -> Iterator[str]:
    if target.asked == "patient" and target.site and target.key:
        yield erased.patient(target.site, target.key)
    yield from (erased.drain(*key) for key in keys.rows())
    yield from (erased.pseudonym(drain_id) for drain_id in drain_ids)
    yield from (erased.word(word) for word in words)


def _papers(
    home: Home, erased: Erased, target: Target, definitions: Definitions
) -> tuple[set[str], int, int]:
    """Other files to look into, the registries' rows that go, and how many logs nobody could read."""
    kinds = {"registry": RegistryKind.DRAINS, "annotations": RegistryKind.ANNOTATIONS}
    files = {row["file_sha256"]: row for row in home.lake.scan(LOAD_FILE).collect().iter_rows(named=True)}
    most = definitions.plausible.paper_most
    found: set[str] = set()
    rows = unread = 0
    for reading in read_readings(home.readings):
        file = files.get(reading.digest)
        if nameless(reading.name, erased) != reading.name:
            found.add(reading.digest)
        if reading.kind in kinds:
            data = vault_of(home, reading.digest).read(reading.digest)
            kind = kinds[reading.kind]
            try:
                struck = strike(data, kind, layout_columns(kind), needed_columns(kind), erased, most)
            except Unreadable:
                found.add(reading.digest)  # the door looks into it
                continue
            if struck.data != data:
                found.add(reading.digest)
                rows += struck.rows
        elif file is None or file["rows_kept"] == 0:
            unread += 1
            found.add(reading.digest)
        elif target.asked != "age" and file["site"] in (None, target.site):
            head = head_of(vault_of(home, reading.digest).read(reading.digest))
            if erased.words_in(head.split(b"\n\n", 1)[0].decode("utf-8", errors="replace")):
                found.add(reading.digest)
    return found, rows, unread


def _extracts(home: Home, drain_ids: Sequence[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Extracts that hold one of the drains, and those of which the house never noted whom they hold."""
    touched, unsure = [], []
    secret = home.secret()
    for path in sorted((home.private / "extracts").glob("*.json")):
        note = json.loads(path.read_text(encoding="utf-8"))
        if "drains" not in note:
            unsure.append(path.stem)
            continue
        key = ExtractKey(secret, path.stem)
        if {key.drain(drain_id) for drain_id in drain_ids} & set(note["drains"]):
            touched.append(path.stem)
    return tuple(touched), tuple(unsure)
