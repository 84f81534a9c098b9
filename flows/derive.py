"""Second stage of a load: what is out of date is computed again, device by device, then drain by drain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import polars as pl

from flows.stale import DEVICE_OWNER, IN_FORCE, Stale, Ward
from pipeline.cohort import Claims, RemovalRule, claim, cuts_of, load_rules, summarise, use_annotations
from pipeline.course import course_of
from pipeline.course.evidence import evidence_of
from pipeline.course.resolve import resolve
from pipeline.definitions import Definitions
from pipeline.provenance import digest_of_texts
from pipeline.store import Home, moments
from pipeline.store.moments import Moment
from schemas.derivation import MADE, MADE_PARTS, UNKNOWN
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
from schemas.published import ALERT, CANISTER, DRAIN, DRAIN_DAY, DRAIN_OUTCOME, DRAIN_USE, PERIOD, READINESS
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
    DRAIN_USE,
)
DRAIN_STAGE: tuple[Table, ...] = (*DRAIN_TABLES, BEDSIDE)  # the last is not published


def compute_devices(
    home: Home, owners: Sequence[str], stale: Stale, ward: Ward, definitions: Definitions
) -> int:
    """Compute some devices from their rows as loaded and put the results in place; returns their minutes."""
    files = home.lake.scan(LOAD_FILE).filter(pl.col("status").is_in(IN_FORCE)).collect()
    sites = sorted({owner.partition(":")[0] for owner in owners})
    devices = sorted({owner.partition(":")[2] for owner in owners})
    near = pl.col("site").is_in(sites) & pl.col("device").is_in(devices)
    in_force = near & pl.col("file_sha256").is_in(files["file_sha256"].implode())
    # The pair is asked of what was read, not while reading: Polars' Parquet reader fails on a text that is
    # put together from columns it is filtering by.
    theirs = DEVICE_OWNER.is_in(list(owners))
    minutes = home.lake.scan(MINUTE).filter(in_force).collect().filter(theirs)
    traces = home.lake.scan(TRACE).filter(in_force).collect().filter(theirs)
    resolved = resolve(minutes, traces, files, definitions)
    evidence = evidence_of(resolved.minutes, definitions)
    course = course_of(
        resolved.minutes,
        resolved.uses,
        evidence,
        cuts_of(resolved.uses, ward.registry),
        use_annotations(resolved.uses, ward.registry, ward.annotations),
        definitions,
    )
    frames = {
        USE_TABLE.name: resolved.uses,
        QUALITY_DAY.name: resolved.quality,
        EVIDENCE.name: evidence,
        COURSE.name: course.minutes,
        USE_PERIOD.name: course.periods,
        USE_ALERT.name: course.alerts,
        USE_CANISTER.name: course.canisters,
    }
    _put(home, stale, owners, DEVICE_TABLES, frames, DEVICE_OWNER)
    return course.minutes.height


def claims_now(home: Home, ward: Ward) -> Claims:
    """Which drain every minute of every use belongs to, as the registry stands."""
    uses = home.lake.scan(USE_TABLE).collect().sort("use_id")
    return claim(uses, ward.registry, home.secret(), ward.annotations)


def compute_drains(
    home: Home,
    owners: Sequence[str],
    stale: Stale,
    claims: Claims,
    ward: Ward,
    definitions: Definitions,
    rules: Sequence[RemovalRule] | None = None,
) -> int:
    """Summarise some drains from the course of their uses and put the results in place."""
    some = claims.only(owners)
    use_ids = some.drain_use["use_id"].unique().sort()
    uses = home.lake.scan(USE_TABLE).filter(pl.col("use_id").is_in(use_ids.implode())).collect()
    devices = uses.select(DEVICE_OWNER.alias("owner")).unique().sort("owner")["owner"].to_list()

    def of_uses(table: Table) -> pl.DataFrame:
        rows = home.lake.scan_owners(table, devices).filter(pl.col("use_id").is_in(use_ids.implode()))
        return rows.collect().sort(table.key)

    tables = summarise(
        some,
        uses.sort("use_id"),
        of_uses(COURSE),
        of_uses(EVIDENCE),
        of_uses(USE_PERIOD),
        of_uses(USE_ALERT),
        of_uses(USE_CANISTER),
        ward.annotations,
        definitions,
        load_rules() if rules is None else rules,
    )
    frames = {table.name: getattr(tables, table.name) for table in DRAIN_STAGE}
    _put(home, stale, owners, DRAIN_STAGE, frames, pl.col("drain_id"))
    return len(owners)


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
        home.lake.replace(table, made, table.validate(frames[table.name]), owner)
        moments.passed(Moment.DERIVED)
    note_made(home, stale.stage, {o: stale.parts[o] for o in owners})
