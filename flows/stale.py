"""What is out of date: devices and drains whose inputs are not what their results were made from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from flows.survey import batches
from pipeline.cohort import Claims, RemovalRule, load_rules, standing
from pipeline.cohort.holding import CLAIMING
from pipeline.definitions import Definitions
from pipeline.provenance import code_digest, digest_of_sections, digest_of_texts, digest_rows
from pipeline.store import Home
from schemas.derivation import MADE, MADE_PARTS, UNKNOWN
from schemas.lake import LOAD_FILE, USE_TABLE
from schemas.published import DRAIN, DRAIN_USE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.vocabulary import IN_FORCE as IN_FORCE

BATCH_MINUTES = 1_000_000  # of log rows computed at once; bounds the memory of a load
DEVICE_OWNER = pl.format("{}:{}", "site", "device")

# Of the definitions: what a device's course rests on, and what only the published statistics, extracts and
# strips do. The rest is the drains'. How cells are read is recorded with each file.
DEVICE_SECTIONS = frozenset(
    {
        "alerts",
        "clamp",
        "envelope",
        "flow_stopped",
        "fluid",
        "leak",
        "line_open",
        "occlusion",
        "output_surge",
        "resolution",
        "suction_shortfall",
        "tidaling",
        "tilted",
        "trace",
        "uses",
    }
)
PUBLISHED_SECTIONS = frozenset(
    {"chart", "extract", "handling", "plausible", "reconciliation", "statistics", "strips", "upkeep"}
)


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
        .with_columns(owner=DEVICE_OWNER)
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
    course_figures = digest_of_sections(definitions, DEVICE_SECTIONS)
    parts = {
        owner: {
            "files": digest_of_texts(read),
            "registry": digest_of_texts(registry_of.get(owner, ())),
            "annotations": digest_of_texts(annotations_of.get(owner, ())),
            "definitions": course_figures,
            "code": code_digest(),
        }
        for owner, read in zip(files["owner"], files["read"].to_list(), strict=True)
    }
    weights = dict(zip(files["owner"], files["weight"], strict=True))
    return _compare(home, "device", parts, weights, {}, "files")


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
    uses = home.lake.scan(USE_TABLE).select("use_id", owner=DEVICE_OWNER).collect()
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
    figures = digest_of_sections(definitions, set(type(definitions).model_fields) - PUBLISHED_SECTIONS)
    settings = digest_of_texts([figures, *_rule_texts(rules)])
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
    weights = {d: int(weight_of.get(d) or 0) for d in parts}
    return _compare(home, "drain", parts, weights, _comings_and_goings(home, claims), "registry")


def settings_digest(definitions: Definitions, rules: Sequence[RemovalRule] | None = None) -> str:
    """One digest over all definitions and removal rules; unsaid: the rules that are shipped."""
    return digest_of_texts([definitions.digest, *_rule_texts(rules)])


def _rule_texts(rules: Sequence[RemovalRule] | None) -> list[str]:
    return [rule.model_dump_json() for rule in (load_rules() if rules is None else rules)]


def _comings_and_goings(home: Home, claims: Claims) -> dict[str, str]:
    """
    What brings a drain that was not there, or takes away one that was: `registry` or `files`.

    A linked drain is a row of a registry. An unlinked one is a use that no row claims: if the use itself
    comes or goes files did it, else a row that claims it.
    """
    was = home.lake.scan(DRAIN_USE).select("drain_id", "use_id").collect()
    unlinked = home.lake.scan(DRAIN).filter(~pl.col("linked")).select("drain_id").collect()
    uses = home.lake.scan(USE_TABLE).select("use_id").collect()
    lost = was.join(unlinked, on="drain_id", how="semi").join(uses, on="use_id", how="anti")["drain_id"]
    now = claims.drains.filter(~pl.col("linked")).select("drain_id").join(claims.drain_use, on="drain_id")
    found = now.join(was, on="use_id", how="anti")["drain_id"]
    return dict.fromkeys([*lost, *found], "files")


def _compare(
    home: Home,
    stage: str,
    parts: Mapping[str, Mapping[str, str]],
    weights: Mapping[str, int],
    moved_by: Mapping[str, str],
    otherwise: str,
) -> Stale:
    made = home.lake.scan(MADE).filter(pl.col("stage") == stage).collect()
    before = {row["subject"]: row for row in made.iter_rows(named=True)}
    todo: dict[str, int] = {}
    causes: dict[str, str] = {}
    for owner, wanted in parts.items():
        had = before.get(owner)
        if had is None or had["files"] == UNKNOWN:
            todo[owner], causes[owner] = weights[owner], moved_by.get(owner, otherwise)
        elif moved := [part for part in MADE_PARTS if had[part] != wanted[part]]:
            todo[owner], causes[owner] = weights[owner], moved[0]
    gone = tuple(sorted(set(before) - set(parts)))
    causes |= {owner: moved_by.get(owner, otherwise) for owner in gone}
    return Stale(stage, todo, gone, parts, causes)


def _mentions(registry: pl.DataFrame) -> pl.DataFrame:
    """One row a device that a registry row names, with the digest of what of the row decides its cuts."""
    return (
        registry.with_columns(digest=digest_rows(registry, CLAIMING))
        .with_columns(
            device=pl.concat_list(
                pl.col("uses").fill_null([]).list.eval(pl.element().str.split("/").list.first()),
                pl.col("devices").fill_null([]),
            ).list.unique()
        )
        .explode("device")
        .filter(pl.col("device").is_not_null())
        .with_columns(owner=DEVICE_OWNER)
        .sort("owner", "digest")
    )


def _annotated(ward: Ward) -> pl.DataFrame:
    notes = ward.annotations
    content = [c for c in notes.columns if c not in ("exported_at", "file_sha256")]
    return notes.with_columns(digest=digest_rows(notes, content)).select("site", "drain_key", "digest")


def _grouped(frame: pl.DataFrame, key: str, value: str) -> dict[str, tuple[str, ...]]:
    grouped = frame.group_by(key, maintain_order=True).agg(value)
    return {row[0]: tuple(row[1]) for row in grouped.select(key, value).rows()}
