"""Second stage of a load: what is out of date is computed again, device by device, then drain by drain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from flows.loading.computing import DEVICE_TABLES, DRAIN_STAGE, Computed, DeviceBatch, DrainBatch
from flows.loading.stale import DEVICE_OWNER, Stale, Ward
from flows.loading.uses_made import USE_PARTS, USES_MADE
from pipeline.cohort import Claims, claim
from pipeline.provenance import digest_of_texts
from pipeline.store import Home, moments
from pipeline.store.had import Had
from pipeline.store.moments import Moment
from schemas.derivation import MADE, MADE_PARTS, UNKNOWN
from schemas.lake import COURSE, QUALITY_DAY, USE_TABLE
from schemas.table import Table

WHOLE = (USE_TABLE, QUALITY_DAY)  # of a device they are replaced whole, the others use by use
NO_USES = pl.DataFrame(schema=USES_MADE)


def compute_devices(home: Home, batch: DeviceBatch, stale: Stale, computed: Computed) -> int:
    """Put what was computed of some devices in place, once it is there; returns their minutes."""
    frames = computed()
    uses = frames[MADE.name]
    stands = uses.join(batch.made, on=list(USES_MADE), how="semi")["use_id"]
    noted = stale.noted.intersection(batch.owners)
    moved = Had(noted.difference(batch.made["owner"]), frozenset(batch.made["use_id"]).difference(stands))
    of_devices = Had(noted)
    had = {table.name: of_devices if table in WHOLE else moved for table in DEVICE_TABLES}
    _put(home, stale, batch.owners, DEVICE_TABLES, frames, DEVICE_OWNER, had, uses)
    return frames[COURSE.name].height


def claims_now(home: Home, ward: Ward) -> Claims:
    """Which drain every minute of every use belongs to, as the registry stands."""
    uses = home.lake.scan(USE_TABLE).collect().sort("use_id")
    return claim(uses, ward.registry, home.secret(), ward.annotations)


def compute_drains(home: Home, batch: DrainBatch, stale: Stale, computed: Computed) -> int:
    """Put the summaries of some drains in place, once they are there; returns how many drains."""
    had = dict.fromkeys((table.name for table in DRAIN_STAGE), Had(stale.noted.intersection(batch.owners)))
    _put(home, stale, batch.owners, DRAIN_STAGE, computed(), pl.col("drain_id"), had)
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


def doubt_made(home: Home, stage: str, owners: Sequence[str], had: Had | None = None) -> None:
    """
    Write, before anything of theirs is touched, that owners are made from nobody knows what.

    The notes of a device's uses go with that.

    A load killed half-way leaves rows of the new inputs behind. If the next load had the old inputs again,
    a note that still spoke of those would pass the new rows for up to date; and if by then an owner were
    gone, nothing without a note would say that it has rows to be taken out.
    """
    note_made(home, stage, {owner: dict.fromkeys(MADE_PARTS, UNKNOWN) for owner in owners}, had=had)
    moments.passed(Moment.DOUBTED)


def note_made(
    home: Home,
    stage: str,
    parts: Mapping[str, Mapping[str, str]],
    uses: pl.DataFrame = NO_USES,
    had: Had | None = None,
) -> None:
    """
    Write, last of all, what owners were made from.

    Parameters
    ----------
    uses
        Of devices what their uses were made from (USES_MADE). Definitions and code are the device's.
    had
        As `Lake.replace`, of the notes.
    """
    notes = [{"stage": stage, "subject": subject, **values} for subject, values in parts.items()]
    notes += [
        {**parts[use["owner"]], "stage": "use", "subject": use["use_id"], **{p: use[p] for p in USE_PARTS}}
        for use in uses.iter_rows(named=True)
    ]
    key_of = {subject: f"{stage}|{subject}" for subject in parts}
    key_of |= {use: f"{stage}|{owner}" for use, owner in uses.select("use_id", "owner").rows()}
    owner = pl.col("subject").replace_strict(key_of, return_dtype=pl.String)
    keys = {f"{stage}|{subject}": "" for subject in parts}
    home.lake.replace(MADE, keys, pl.DataFrame(notes, schema=MADE.dtypes), owner, had)
    moments.passed(Moment.MADE_NOTED)


def _put(
    home: Home,
    stale: Stale,
    owners: Sequence[str],
    tables: Sequence[Table],
    frames: Mapping[str, pl.DataFrame],
    owner: pl.Expr,
    had: Mapping[str, Had],
    uses: pl.DataFrame = NO_USES,
) -> None:
    made = stale.made_from(owners)
    noted = frozenset(f"{stale.stage}|{one}" for one in stale.noted.intersection(owners))
    doubt_made(home, stale.stage, owners, Had(noted))
    for table in tables:
        home.lake.replace(table, made, frames[table.name], owner, had[table.name])
        moments.passed(Moment.DERIVED)
    note_made(home, stale.stage, {o: stale.parts[o] for o in owners}, uses)
