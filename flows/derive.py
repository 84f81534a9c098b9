"""Second stage of a load: what is out of date is computed again, device by device, then drain by drain."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from flows.survey import batches
from pipeline.cohort import (
    Claims,
    RemovalRule,
    claim,
    cuts_of,
    load_rules,
    standing,
    summarise,
    use_annotations,
)
from pipeline.course import course_of
from pipeline.course.evidence import evidence_of
from pipeline.course.resolve import resolve
from pipeline.definitions import Definitions
from pipeline.provenance import code_digest, digest_of_texts, digest_rows
from pipeline.store import Home, moments
from pipeline.store.moments import Moment
from schemas.derivation import MADE, MADE_PARTS
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
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.table import Table
from schemas.vocabulary import FileStatus

BATCH_MINUTES = 1_000_000  # of log rows computed at once; bounds the memory of a load
IN_FORCE = (FileStatus.LOADED.value, FileStatus.PARTIAL.value)

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

_DEVICE_OWNER = pl.format("{}:{}", "site", "device")
_EMPTY = digest_of_texts([])


@dataclass(frozen=True)
class Stale:
    """Owners of one stage that must be computed again (with what they weigh) and those that are gone."""

    stage: str
    todo: dict[str, int]
    gone: tuple[str, ...]
    parts: Mapping[str, Mapping[str, str]]
    causes: Mapping[str, str]

    def made_from(self, owners: Sequence[str]) -> dict[str, str]:
        """Owner → one digest over everything it is made from."""
        return {o: digest_of_texts(self.parts[o][p] for p in MADE_PARTS) for o in owners}

    def batches(self, most: int = BATCH_MINUTES) -> Iterator[list[str]]:
        """Owners in order, so many minutes at once."""
        return batches(self.todo.items(), most)


@dataclass(frozen=True)
class Ward:
    """What the wards' registries and annotations say now: the rows that stand."""

    registry: pl.DataFrame
    annotations: pl.DataFrame


def read_ward(home: Home) -> Ward:
    """Registry rows and annotations of the files in force that stand, from the private store."""
    files = home.lake.scan(LOAD_FILE).filter(pl.col("status").is_in(IN_FORCE)).select("file_sha256")
    registry, annotations = (
        home.private_lake.scan(table).join(files, on="file_sha256", how="semi").collect()
        for table in (REGISTRY_DRAIN, ANNOTATION)
    )
    return Ward(standing(registry), standing(annotations))


def stale_devices(home: Home, ward: Ward, definitions: Definitions) -> Stale:
    """Devices whose files, registry, annotations, definitions or code are not what they were made from."""
    files = (
        home.lake.scan(LOAD_FILE)
        .filter(pl.col("status").is_in(IN_FORCE) & pl.col("device").is_not_null())
        .select("file_sha256", "site", pl.col("device").str.split(";"), "rows_kept", "read_with")
        .explode("device")
        .with_columns(owner=_DEVICE_OWNER)
        .sort("owner", "file_sha256")
        .group_by("owner", maintain_order=True)
        .agg(
            read=pl.format("{} {}", "file_sha256", pl.col("read_with").fill_null("")),
            weight=pl.col("rows_kept").sum(),
        )
        .collect()
    )
    registry = _mentions(ward.registry)
    annotated = _annotated(ward)
    notes = registry.join(annotated, on=["site", "drain_key"]).sort("owner", "digest_right")
    registry_of = _grouped(registry, "owner", "digest")
    annotations_of = _grouped(notes, "owner", "digest_right")
    parts = {
        owner: {
            "files": digest_of_texts(read),
            "registry": digest_of_texts(registry_of.get(owner, ())),
            "annotations": digest_of_texts(annotations_of.get(owner, ())),
            "definitions": definitions.digest,
            "code": code_digest(),
        }
        for owner, read in zip(files["owner"], files["read"].to_list(), strict=True)
    }
    weights = dict(zip(files["owner"], files["weight"], strict=True))
    return _compare(home, "device", parts, weights)


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
    theirs = _DEVICE_OWNER.is_in(list(owners))
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
    _put(home, stale, owners, DEVICE_TABLES, frames, _DEVICE_OWNER)
    return course.minutes.height


def claims_now(home: Home, ward: Ward) -> Claims:
    """Which drain every minute of every use belongs to, as the registry stands."""
    uses = home.lake.scan(USE_TABLE).collect().sort("use_id")
    return claim(uses, ward.registry, home.secret(), ward.annotations)


def stale_drains(
    home: Home,
    claims: Claims,
    ward: Ward,
    definitions: Definitions,
    rules: Sequence[RemovalRule] | None = None,
) -> Stale:
    """Drains whose minutes, registry, annotations, definitions or code are not what they were made from."""
    devices = home.lake.scan(MADE).filter(pl.col("stage") == "device").collect()
    made_of_device = dict(
        zip(
            devices["subject"],
            (digest_of_texts(row) for row in devices.select(MADE_PARTS).rows()),
            strict=True,
        )
    )
    uses = home.lake.scan(USE_TABLE).select("use_id", owner=_DEVICE_OWNER).collect()
    spans = claims.drain_use.join(uses, on="use_id", how="left").sort("drain_id", "use_id", "from_at")
    spans = spans.with_columns(
        text=pl.format(
            "{} {} {} {}",
            "use_id",
            "from_at",
            "until_at",
            pl.col("owner").replace_strict(made_of_device, default="", return_dtype=pl.String),
        ),
        weight=(pl.col("until_at") - pl.col("from_at")).dt.total_minutes(),
    )
    files_of = _grouped(spans, "drain_id", "text")
    weight_of = dict(spans.group_by("drain_id").agg(pl.col("weight").sum()).rows())
    rows = claims.drains.with_columns(digest=digest_rows(claims.drains, claims.drains.columns))
    notes_of: dict[str, tuple[str, ...]] = {}
    if ward.annotations.height:
        keyed = rows.filter("linked").join(_annotated(ward), on=["site", "drain_key"]).sort("digest_right")
        notes_of = _grouped(keyed, "drain_id", "digest_right")
    settings = settings_digest(definitions, rules)
    parts = {
        drain_id: {
            "files": digest_of_texts(files_of.get(drain_id, ())),
            "registry": digest,
            "annotations": digest_of_texts(notes_of.get(drain_id, ())),
            "definitions": settings,
            "code": code_digest(),
        }
        for drain_id, digest in rows.select("drain_id", "digest").sort("drain_id").rows()
    }
    return _compare(home, "drain", parts, {d: int(weight_of.get(d) or 0) for d in parts})


def settings_digest(definitions: Definitions, rules: Sequence[RemovalRule] | None = None) -> str:
    """One digest over all definitions and removal rules; unsaid: the rules that are shipped."""
    in_force = load_rules() if rules is None else rules
    return digest_of_texts([definitions.digest, *(rule.model_dump_json() for rule in in_force)])


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
    devices = uses.select(_DEVICE_OWNER.alias("owner")).unique().sort("owner")["owner"].to_list()

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
    forget_made(home, stale.stage, stale.gone)
    for table in DEVICE_TABLES if stale.stage == "device" else DRAIN_STAGE:
        home.lake.remove(table, "owner", stale.gone)
        moments.passed(Moment.GONE_DROPPED)


def made_digest(home: Home) -> str:
    """One digest over everything derived, as it stands."""
    made = home.lake.scan(MADE).filter(pl.col("stage") != "database").collect().sort("stage", "subject")
    return digest_of_texts("|".join(row) for row in made.rows())


def forget_made(home: Home, stage: str, owners: Sequence[str]) -> None:
    """
    Write, before anything of theirs is touched, that owners are made from nothing known.

    A load killed half-way leaves rows of the new inputs behind. If the next load had the old inputs again,
    a note that still spoke of those would pass the new rows for up to date.
    """
    home.lake.remove(MADE, "owner", [f"{stage}|{owner}" for owner in owners])
    moments.passed(Moment.FORGOTTEN)


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
    forget_made(home, stale.stage, owners)
    for table in tables:
        home.lake.replace(table, made, table.validate(frames[table.name]), owner)
        moments.passed(Moment.DERIVED)
    note_made(home, stale.stage, {o: stale.parts[o] for o in owners})


def _compare(
    home: Home, stage: str, parts: Mapping[str, Mapping[str, str]], weights: Mapping[str, int]
) -> Stale:
    made = home.lake.scan(MADE).filter(pl.col("stage") == stage).collect()
    before = {row["subject"]: row for row in made.iter_rows(named=True)}
    todo: dict[str, int] = {}
    causes: dict[str, str] = {}
    for owner, wanted in parts.items():
        had = before.get(owner)
        if had is None:
            todo[owner], causes[owner] = weights[owner], "files"
        elif moved := [part for part in MADE_PARTS if had[part] != wanted[part]]:
            todo[owner], causes[owner] = weights[owner], moved[0]
    return Stale(stage, todo, tuple(sorted(set(before) - set(parts))), parts, causes)


def _mentions(registry: pl.DataFrame) -> pl.DataFrame:
    """One row a device that a registry row names, with the row's digest."""
    content = [c for c in registry.columns if c not in ("exported_at", "file_sha256")]
    return (
        registry.with_columns(digest=digest_rows(registry, content))
        .with_columns(
            device=pl.concat_list(
                pl.col("uses").fill_null([]).list.eval(pl.element().str.split("/").list.first()),
                pl.col("devices").fill_null([]),
            ).list.unique()
        )
        .explode("device")
        .filter(pl.col("device").is_not_null())
        .with_columns(owner=_DEVICE_OWNER)
        .sort("owner", "digest")
    )


def _annotated(ward: Ward) -> pl.DataFrame:
    notes = ward.annotations
    content = [c for c in notes.columns if c not in ("exported_at", "file_sha256")]
    return notes.with_columns(digest=digest_rows(notes, content)).select("site", "drain_key", "digest")


def _grouped(frame: pl.DataFrame, key: str, value: str) -> dict[str, tuple[str, ...]]:
    grouped = frame.group_by(key, maintain_order=True).agg(value)
    return {row[0]: tuple(row[1]) for row in grouped.select(key, value).rows()}
