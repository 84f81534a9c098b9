"""Second stage of a load: what is out of date is computed again, device by device, then drain by drain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE, Computed, DeviceBatch, DrainBatch
from flows.loading.stale import DEVICE_OWNER, Stale, Ward
from pipeline.cohort import Claims, claim
from pipeline.provenance import digest_of_texts
from pipeline.store import Home, moments
from pipeline.store.moments import Moment
from schemas.derivation import MADE, MADE_PARTS, UNKNOWN
from schemas.lake import COURSE, USE_TABLE
from schemas.table import Table


def compute_devices(home: Home, batch: DeviceBatch, stale: Stale, computed: Computed) -> int:
    """Put what was computed of some devices in place, once it is there; returns their minutes."""
    frames = computed()
    _put(home, stale, batch.owners, DEVICE_TABLES, frames, DEVICE_OWNER)
    return frames[COURSE.name].height


def claims_now(home: Home, ward: Ward) -> Claims:
    """Which drain every minute of every use belongs to, as the registry stands."""
    uses = home.lake.scan(USE_TABLE).collect().sort("use_id")
    return claim(uses, ward.registry, home.secret(), ward.annotations)


def compute_drains(home: Home, batch: DrainBatch, stale: Stale, computed: Computed) -> int:
    """Put the summaries of some drains in place, once they are there; returns how many drains."""
    _put(home, stale, batch.owners, DRAIN_STAGE, computed(), pl.col("drain_id"))
    return len(batch.owners)


def drop_gone(home: Home, stale: Stale) -> None:
    """Take owners that have no files or minutes any more out of everything derived."""
    if not stale.gone:
        return
    doubt_made(home, stale.stage, stale.gone)
    for table in DEVICE_TABLES if stale.stage == "device" else DRAIN_STAGE:
        home.lake.remove(table, "owner", stale.gone)
        moments.passed(Moment.GONE_DROPPED)
    home.lake.remove(MADE, "owner", [f"{stale.stage}|{owner}" for owner in stale.gone])
    moments.passed(Moment.FORGOTTEN)


def made_digest(home: Home) -> str:
    """One digest over everything derived, as it stands."""
    made = home.lake.scan(MADE).filter(pl.col("stage") != "database").collect().sort("stage", "subject")
    return digest_of_texts("|".join(row) for row in made.rows())


def doubt_made(home: Home, stage: str, owners: Sequence[str]) -> None:
    """
    Write, before anything of theirs is touched, that owners are made from nobody knows what.

    A load killed half-way leaves rows of the new inputs behind. If the next load had the old inputs again,
    a note that still spoke of those would pass the new rows for up to date; and if by then an owner were
    gone, nothing without a note would say that it has rows to be taken out.
    """
    note_made(home, stage, {owner: dict.fromkeys(MADE_PARTS, UNKNOWN) for owner in owners})
    moments.passed(Moment.DOUBTED)


def note_made(home: Home, stage: str, parts: Mapping[str, Mapping[str, str]]) -> None:
    """Write, last of all, what owners were made from."""
    frame = pl.DataFrame(
        [{"stage": stage, "subject": subject, **values} for subject, values in parts.items()],
        schema=MADE.dtypes,
    )
    keys = {f"{stage}|{subject}": "" for subject in parts}
    home.lake.replace(MADE, keys, frame, pl.format("{}|{}", "stage", "subject"))
    moments.passed(Moment.MADE_NOTED)


def _put(
    home: Home,
    stale: Stale,
    owners: Sequence[str],
    tables: Sequence[Table],
    frames: Mapping[str, pl.DataFrame],
    owner: pl.Expr,
) -> None:
    made = stale.made_from(owners)
    doubt_made(home, stale.stage, owners)
    for table in tables:
        home.lake.replace(table, made, frames[table.name], owner)
        moments.passed(Moment.DERIVED)
    note_made(home, stale.stage, {o: stale.parts[o] for o in owners})
