"""
What one batch of a load computes: from the lake's rows to the tables of some devices, or of some drains.

A batch holds all that decides its result but the rows of the lake, and no key of a patient or a drain: it may
be computed here or by a worker on another machine that can read the lake. Computing writes nothing. So it may
be done twice, or given up half-way, and only the one process that holds the ledger's lock ever writes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import polars as pl

from flows.loading.keyless import keyless
from flows.loading.stale import DEVICE_OWNER, IN_FORCE, Ward, mentions
from flows.loading.uses_made import USES_MADE, uses_made
from pipeline.cohort import Claims, RemovalRule, cuts_of, summarise, use_annotations
from pipeline.course import course_of
from pipeline.course.evidence import evidence_of
from pipeline.course.resolve import resolve
from pipeline.definitions import Definitions
from pipeline.store.lake import Lake
from schemas.derivation import MADE
from schemas.lake import (
    BEDSIDE,
    COURSE,
    EVIDENCE,
    LOAD_FILE,
    MINUTE,
    QUALITY_DAY,
    TRACE,
    USE_ALERT,
    USE_CANISTER,
    USE_PERIOD,
    USE_TABLE,
)
from schemas.published import (
    ALERT,
    CANISTER,
    DRAIN,
    DRAIN_ANNOTATION,
    DRAIN_DAY,
    DRAIN_OUTCOME,
    DRAIN_USE,
    PERIOD,
    READINESS,
)
from schemas.registry import ANNOTATION
from schemas.table import Table

DEVICE_TABLES: tuple[Table, ...] = (
    USE_TABLE,
    QUALITY_DAY,
    EVIDENCE,
    COURSE,
    USE_PERIOD,
    USE_ALERT,
    USE_CANISTER,
)
DRAIN_TABLES: tuple[Table, ...] = (
    DRAIN,
    DRAIN_OUTCOME,
    DRAIN_DAY,
    PERIOD,
    ALERT,
    CANISTER,
    READINESS,
    DRAIN_ANNOTATION,
    DRAIN_USE,
)
DRAIN_STAGE: tuple[Table, ...] = (*DRAIN_TABLES, BEDSIDE)  # the last is not published

Frames = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class DeviceBatch:
    """
    Some devices to compute.

    Parameters
    ----------
    lake
        Where the rows as loaded lie.
    owners
        The devices, as `site:device`.
    files
        LOAD_FILE rows of the files in force that hold minutes of them.
    ward
        The registry rows that mention them and the annotations of those, keys left out (see `keyless`).
    made
        What their uses were made from whose rows stand in the lake (`Stale.uses`). One made from the same
        again is left as it is: it comes with its row of USE_TABLE and no other.
    """

    lake: Lake
    owners: tuple[str, ...]
    files: pl.DataFrame
    ward: Ward
    definitions: Definitions
    made: pl.DataFrame

    def frames(self) -> Frames:
        """Rows of DEVICE_TABLES by name, each by its contract, and as MADE what the uses were made from."""
        sites = sorted({owner.partition(":")[0] for owner in self.owners})
        devices = sorted({owner.partition(":")[2] for owner in self.owners})
        near = pl.col("site").is_in(sites) & pl.col("device").is_in(devices)
        in_force = near & pl.col("file_sha256").is_in(self.files["file_sha256"].implode())
        # The pair is asked of what was read, not while reading: Polars' Parquet reader fails on a text that
        # is put together from columns it is filtering by.
        theirs = DEVICE_OWNER.is_in(list(self.owners))
        minutes = self.lake.scan(MINUTE).filter(in_force).collect().filter(theirs)
        traces = self.lake.scan(TRACE).filter(in_force).collect().filter(theirs)
        resolved = resolve(minutes, traces, self.files, self.definitions)
        del minutes, traces  # as large as all that follows together
        cuts = cuts_of(resolved.uses, self.ward.registry)
        notes = use_annotations(resolved.uses, self.ward.registry, self.ward.annotations)
        made = uses_made(resolved, cuts, notes)
        new = made.join(self.made, on=list(USES_MADE), how="anti")["use_id"]
        changed = pl.col("use_id").is_in(new.implode())
        moved = resolved.minutes if new.len() == made.height else resolved.minutes.filter(changed)
        evidence = evidence_of(moved, self.definitions)
        course = course_of(
            moved,
            resolved.uses.filter(changed),
            evidence,
            cuts.filter(changed),
            notes.filter(changed),
            self.definitions,
        )
        return {MADE.name: made} | _by_contract(
            DEVICE_TABLES,
            {
                USE_TABLE.name: resolved.uses,
                QUALITY_DAY.name: resolved.quality,
                EVIDENCE.name: evidence,
                COURSE.name: course.minutes,
                USE_PERIOD.name: course.periods,
                USE_ALERT.name: course.alerts,
                USE_CANISTER.name: course.canisters,
            },
        )


@dataclass(frozen=True)
class DrainBatch:
    """
    Some drains to summarise.

    Parameters
    ----------
    claims, annotations
        Of these drains alone; in place of the hospital's keys stands `drain_id`.
    """

    lake: Lake
    owners: tuple[str, ...]
    claims: Claims
    annotations: pl.DataFrame
    definitions: Definitions
    rules: tuple[RemovalRule, ...]

    def frames(self) -> Frames:
        """Rows of DRAIN_STAGE, by name, each by its contract."""
        use_ids = self.claims.drain_use["use_id"].unique().sort()
        uses = self.lake.scan(USE_TABLE).filter(pl.col("use_id").is_in(use_ids.implode())).collect()
        devices = uses.select(DEVICE_OWNER.alias("owner")).unique().sort("owner")["owner"].to_list()

        def of_uses(table: Table) -> pl.DataFrame:
            rows = self.lake.scan_owners(table, devices).filter(pl.col("use_id").is_in(use_ids.implode()))
            return rows.collect().sort(table.key)

        tables = summarise(
            self.claims,
            uses.sort("use_id"),
            of_uses(COURSE),
            of_uses(EVIDENCE),
            of_uses(USE_PERIOD),
            of_uses(USE_ALERT),
            of_uses(USE_CANISTER),
            self.annotations,
            self.definitions,
            self.rules,
        )
        return _by_contract(DRAIN_STAGE, {table.name: getattr(tables, table.name) for table in DRAIN_STAGE})


Batch = TypeVar("Batch", DeviceBatch, DrainBatch)
Computed = Callable[[], Frames]  # gives a batch's result; may have to compute it, or to wait for it
# How batches are computed: each comes back in its turn, with its result to be asked for.
Ahead = Callable[[Iterable[Batch]], Iterator[tuple[Batch, Computed]]]


def at_once(batches: Iterable[Batch]) -> Iterator[tuple[Batch, Computed]]:
    """Each batch here and now, when its result is asked for."""
    for batch in batches:
        yield batch, batch.frames


def device_batches(
    lake: Lake,
    owners: Iterable[Sequence[str]],
    ward: Ward,
    definitions: Definitions,
    made: pl.DataFrame | None = None,
) -> Iterator[DeviceBatch]:
    """Batches of devices with what each of them rests on, and nothing of other devices."""
    made = pl.DataFrame(schema=USES_MADE) if made is None else made
    known = keyless(ward)
    named_devices = mentions(known.registry)
    files = lake.scan(LOAD_FILE).filter(pl.col("status").is_in(IN_FORCE)).collect()
    held = files.select("site", "file_sha256", pl.col("device").str.split(";")).explode("device")
    held = held.select("file_sha256", owner=DEVICE_OWNER)
    for some in owners:
        named = pl.col("owner").is_in(list(some))
        registry = known.registry.join(named_devices.filter(named), on=["site", "drain_key"], how="semi")
        yield DeviceBatch(
            lake,
            tuple(some),
            files.join(held.filter(named), on="file_sha256", how="semi"),
            Ward(registry, known.annotations.join(registry, on=["site", "drain_key"], how="semi")),
            definitions,
            made.filter(named),
        )


def drain_batches(
    lake: Lake,
    owners: Iterable[Sequence[str]],
    claims: Claims,
    ward: Ward,
    definitions: Definitions,
    rules: Sequence[RemovalRule],
) -> Iterator[DrainBatch]:
    """Batches of drains with what each of them rests on, and nothing of other drains."""
    for some in owners:
        own = claims.only(some)
        keys = own.drains.select("site", "drain_key", "drain_id")
        notes = ward.annotations.join(keys, on=["site", "drain_key"], maintain_order="left")
        notes = ANNOTATION.conform(notes.with_columns(drain_key="drain_id", note=None, author_role=None))
        drains = own.drains.with_columns(drain_key="drain_id", patient_key=None)
        own = replace(own, drains=drains.cast(own.drains.schema), findings=own.findings.clear())
        yield DrainBatch(lake, tuple(some), own, notes, definitions, tuple(rules))


def _by_contract(tables: Sequence[Table], frames: Frames) -> Frames:
    return {table.name: table.validate(frames[table.name]) for table in tables}
