"""What is out of date: devices and drains whose inputs are not what their results were made from."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from flows.loading.survey import batches
from flows.loading.uses_made import DEVICE_OWNER as DEVICE_OWNER
from flows.loading.uses_made import USE_PARTS, USES_MADE, may_stand
from pipeline.cohort import Claims, RemovalRule, load_rules, standing
from pipeline.cohort.holding import CLAIMING
from pipeline.definitions import Decides, Definitions
from pipeline.provenance import code_digest, digest_of_sections, digest_of_texts, digest_rows
from pipeline.store import Home
from schemas.derivation import MADE, MADE_PARTS, UNKNOWN
from schemas.lake import LOAD_FILE, USE_TABLE
from schemas.published import DRAIN, DRAIN_USE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN
from schemas.vocabulary import IN_FORCE as IN_FORCE


@dataclass(frozen=True)
class Stale:
    """Owners of one stage that must be computed again (with what they weigh) and those that are gone."""

    stage: str
    todo: dict[str, int]
    gone: tuple[str, ...]
    parts: Mapping[str, Mapping[str, str]]
    causes: dict[str, str]
    noted: frozenset[str]  # owners with a note, whatever it says: no other can have rows of anything derived
    uses: pl.DataFrame  # what uses were made from (USES_MADE) whose rows may stand; of devices alone

    def made_from(self, owners: Sequence[str]) -> dict[str, str]:
        """Owner → one digest over everything it is made from."""
        return {o: digest_of_texts(self.parts[o][p] for p in MADE_PARTS) for o in owners}

    def batches(self, most: int) -> Iterator[list[str]]:
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
    # Of a row, only what decides the cuts of the devices it names.
    claiming = ward.registry.with_columns(digest=digest_rows(ward.registry, CLAIMING))
    registry = mentions(claiming).sort("owner", "digest")
    annotated = _annotated(ward)
    notes = registry.join(annotated, on=["site", "drain_key"]).sort("owner", "digest_right")
    registry_of = _grouped(registry, "owner", "digest")
    annotations_of = _grouped(notes, "owner", "digest_right")
    course_figures = digest_of_sections(definitions, definitions.deciding(Decides.COURSE))
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
    made = home.lake.scan(MADE).filter(pl.col("stage").is_in(["device", "use"])).collect()
    stale = _compare(made, "device", parts, weights, {}, "files")
    return replace(stale, uses=may_stand(home, made, stale.todo, parts))


def stale_drains(
    home: Home,
    claims: Claims,
    ward: Ward,
    definitions: Definitions,
    rules: Sequence[RemovalRule] | None = None,
) -> Stale:
    """
    Drains whose minutes, registry, annotations, definitions or code are not what they were made from.

    What the drain's uses were made from counts part by part: their minutes with the drain's files, the
    registry rows that cut them with its registry row, and so on, so that each is laid at its own door.
    """
    made = home.lake.scan(MADE).filter(pl.col("stage").is_in(["device", "use", "drain"])).collect()
    made_of = {(row["stage"], row["subject"]): row for row in made.iter_rows(named=True)}
    extent = pl.concat_str("started_at", "ended_at", "minutes_observed", separator=" ", ignore_nulls=True)
    uses = home.lake.scan(USE_TABLE).collect()
    uses = uses.select("use_id", owner=DEVICE_OWNER, extent=extent, said=_said_of_drains(uses))
    extent_of = dict(uses.select("use_id", "extent").rows())
    said_of = dict(uses.select("use_id", "said").rows())
    spans = claims.drain_use.join(uses, on="use_id", how="left").sort("drain_id", "use_id", "from_at")
    spans = spans.with_columns(
        text=pl.format("{} {} {}", "use_id", "from_at", "until_at"),
        weight=(pl.col("until_at") - pl.col("from_at")).dt.total_minutes(),
    )
    spans_of = _grouped(spans, "drain_id", "text")
    uses_of = _grouped(spans, "drain_id", "use_id")
    owners_of = _grouped(spans.unique(["drain_id", "owner"]).sort("drain_id", "owner"), "drain_id", "owner")
    weight_of = dict(spans.group_by("drain_id").agg(pl.col("weight").sum()).rows())
    rows = claims.drains.with_columns(digest=digest_rows(claims.drains, claims.drains.columns))
    notes_of: dict[str, tuple[str, ...]] = {}
    if ward.annotations.height:
        keyed = rows.filter("linked").join(_annotated(ward), on=["site", "drain_key"]).sort("digest_right")
        notes_of = _grouped(keyed, "drain_id", "digest_right")
    figures = digest_of_sections(definitions, definitions.deciding(Decides.COURSE | Decides.DRAINS))
    settings = digest_of_texts([figures, *_rule_texts(rules)])

    def beneath(drain_id: str, part: str) -> list[str]:
        """That part of what the drain's devices were made from, or of what its uses were."""
        stage, of = ("use", uses_of) if part in USE_PARTS else ("device", owners_of)
        return [made_of.get((stage, one), {}).get(part, "") for one in of.get(drain_id, ())]

    parts = {
        drain_id: {
            "files": _files_text(
                digest_of_texts(
                    [
                        *beneath(drain_id, "files"),
                        *(said_of.get(use, "") for use in uses_of.get(drain_id, ())),
                    ]
                ),
                {use: extent_of.get(use, "") for use in uses_of.get(drain_id, ())},
            ),
            "registry": digest_of_texts(
                [digest, *spans_of.get(drain_id, ()), *beneath(drain_id, "registry")]
            ),
            "annotations": digest_of_texts(
                [*notes_of.get(drain_id, ()), "devices", *beneath(drain_id, "annotations")]
            ),
            "definitions": digest_of_texts([settings, *beneath(drain_id, "definitions")]),
            "code": digest_of_texts([code_digest(), *beneath(drain_id, "code")]),
        }
        for drain_id, digest in rows.select("drain_id", "digest").sort("drain_id").rows()
    }
    weights = {d: int(weight_of.get(d) or 0) for d in parts}
    was = home.lake.scan(DRAIN_USE).select("drain_id", "use_id").collect()
    moved_by = _comings_and_goings(home, claims, was, uses)
    stale = _compare(made, "drain", parts, weights, moved_by, "registry")
    elsewhere = _laid_elsewhere(made, stale, set(was["use_id"]) ^ set(extent_of))
    return replace(stale, causes=stale.causes | elsewhere)


def settings_digest(definitions: Definitions, rules: Sequence[RemovalRule] | None = None) -> str:
    """One digest over all definitions and removal rules; unsaid: the rules that are shipped."""
    return digest_of_texts([definitions.digest, *_rule_texts(rules)])


def _rule_texts(rules: Sequence[RemovalRule] | None) -> list[str]:
    return [rule.model_dump_json() for rule in (load_rules() if rules is None else rules)]


def _comings_and_goings(home: Home, claims: Claims, was: pl.DataFrame, uses: pl.DataFrame) -> dict[str, str]:
    """
    What brings a drain that was not there, or takes away one that was: `registry` or `files`.

    A linked drain is a row of a registry. An unlinked one is a use that no row claims: if the use itself
    comes or goes files did it, else a row that claims it.
    """
    unlinked = home.lake.scan(DRAIN).filter(~pl.col("linked")).select("drain_id").collect()
    lost = was.join(unlinked, on="drain_id", how="semi").join(uses, on="use_id", how="anti")["drain_id"]
    now = claims.drains.filter(~pl.col("linked")).select("drain_id").join(claims.drain_use, on="drain_id")
    found = now.join(was, on="use_id", how="anti")["drain_id"]
    return dict.fromkeys([*lost, *found], "files")


def _said_of_drains(uses: pl.DataFrame) -> pl.Series:
    """
    One digest a use over its row as a drain's summary rests on it.

    Every export of a device is later than the one before. That says that a use is over, but of one with a
    later session this is known already (see `prolonged`).
    """
    over = pl.when(~pl.col("later_session")).then("last_export_at")
    return digest_rows(uses.with_columns(last_export_at=over), uses.columns)


def _files_text(files: str, extents: Mapping[str, str]) -> str:
    return json.dumps({"files": files, "uses": dict(extents)}, sort_keys=True, separators=(",", ":"))


def _laid_elsewhere(made: pl.DataFrame, stale: Stale, came_or_went: set[str]) -> dict[str, str]:
    """
    Causes of the drains whose devices' files moved without the drain's own minutes.

    A device goes on to the next patient, and every night brings files of it; a registry may move a drain to
    another device, of which files have long been there. What then moves the drain is what else did. Its own
    minutes moved where a use of it came, went, or has another extent than it had.
    """
    causes: dict[str, str] = {}
    for had in made.filter(pl.col("stage") == "drain").iter_rows(named=True):
        drain_id = had["subject"]
        if stale.causes.get(drain_id) != "files" or drain_id not in stale.todo or had["files"] == UNKNOWN:
            continue
        wanted = stale.parts[drain_id]
        if not had["files"].startswith("{"):  # noted by an earlier version of the code
            causes[drain_id] = "code"
            continue
        was, now = (json.loads(text)["uses"] for text in (had["files"], wanted["files"]))
        if (was.keys() ^ now.keys()) & came_or_went or any(was[u] != now[u] for u in was.keys() & now.keys()):
            continue
        others = [part for part in MADE_PARTS if part != "files" and had[part] != wanted[part]]
        causes[drain_id] = [*others, "files"][0]
    return causes


def _compare(
    made: pl.DataFrame,
    stage: str,
    parts: Mapping[str, Mapping[str, str]],
    weights: Mapping[str, int],
    moved_by: Mapping[str, str],
    otherwise: str,
) -> Stale:
    before = {row["subject"]: row for row in made.filter(pl.col("stage") == stage).iter_rows(named=True)}
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
    return Stale(stage, todo, gone, parts, causes, frozenset(before), pl.DataFrame(schema=USES_MADE))


def mentions(registry: pl.DataFrame) -> pl.DataFrame:
    """One row a device (`owner`) that a registry row names, with what is in that row."""
    return (
        registry.with_columns(
            device=pl.concat_list(
                pl.col("uses").fill_null([]).list.eval(pl.element().str.split("/").list.first()),
                pl.col("devices").fill_null([]),
            ).list.unique()
        )
        .explode("device")
        .filter(pl.col("device").is_not_null())
        .with_columns(owner=DEVICE_OWNER)
    )


def _annotated(ward: Ward) -> pl.DataFrame:
    notes = ward.annotations
    content = [c for c in notes.columns if c not in ("exported_at", "file_sha256")]
    return notes.with_columns(digest=digest_rows(notes, content)).select("site", "drain_key", "digest")


def _grouped(frame: pl.DataFrame, key: str, value: str) -> dict[str, tuple[str, ...]]:
    grouped = frame.group_by(key, maintain_order=True).agg(value)
    return {row[0]: tuple(row[1]) for row in grouped.select(key, value).rows()}
