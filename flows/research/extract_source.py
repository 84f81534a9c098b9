"""What an extract is made from: the ledger as it stands, or at the lake's versions of an earlier day."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from flows.loading.computing import DRAIN_TABLES
from flows.loading.derive import claims_now
from flows.loading.publishing import out_of_date
from flows.loading.stale import IN_FORCE, read_ward
from flows.loading.survey import batches
from pipeline.cohort import RemovalRule, load_rules
from pipeline.cohort.fluid import stretch_outputs, with_drain_output
from pipeline.cohort.minutes import drain_minutes
from pipeline.definitions import Definitions
from pipeline.extract import FileInForce, Source
from pipeline.extract.hourly import drain_hours
from pipeline.store import Home
from pipeline.store.journal import Reading, read_journal, read_readings
from pipeline.store.lake import Lake
from schemas.errors import InputError, LedgerError
from schemas.extract import DRAIN_HOUR, GIVEN_NAMES
from schemas.lake import COURSE, LOAD_FILE, USE_TABLE
from schemas.published import DRAIN_USE
from schemas.registry import ANNOTATION, REGISTRY_DRAIN

_BATCH_MINUTES = 2_000_000
# Not what is minute by minute: a year of that does not fit into memory.
_NEEDED = tuple(t for t in DRAIN_TABLES if t.name in GIVEN_NAMES or t is DRAIN_USE)
_READ = (*_NEEDED, USE_TABLE, COURSE, LOAD_FILE)
_READ_PRIVATE = (REGISTRY_DRAIN, ANNOTATION)


@dataclass(frozen=True)
class HomeAt(Home):
    """A home whose lake is read at given versions."""

    versions: Mapping[str, int]
    private_versions: Mapping[str, int]

    @property
    def lake(self) -> Lake:
        """The lake as it was."""
        return replace(super().lake, versions=self.versions)

    @property
    def private_lake(self) -> Lake:
        """The private lake as it was."""
        return replace(super().private_lake, versions=self.private_versions)


def require_published(home: Home) -> None:
    """
    See that there is a published ledger here.

    Raises
    ------
    InputError
        When there is no ledger, or nothing was published yet.
    """
    if not home.exists():
        raise InputError(
            f"home {home.root}: there is no ledger here; load files first, or name another with --home."
        )
    if not home.database.exists():
        raise InputError(f"home {home.root}: nothing is published yet; load files first.")


def current_source(
    home: Home, definitions: Definitions, rules: Sequence[RemovalRule] | None = None
) -> Source:
    """
    The ledger as it is published now; that no load runs meanwhile (`Home.reading`) is the caller's to see to.

    Raises
    ------
    LedgerError
        When what is published is not what the files, definitions and code in force would give.
    """
    ward = read_ward(home)
    claims = claims_now(home, ward)
    if read_journal(home.journal) or out_of_date(home, claims, definitions) is not None:
        raise LedgerError(
            f"home {home.root}: what is published was made by an earlier version of the code or the "
            "definitions, or a load was broken off; run `drainledger rebuild` first."
        )
    return _source(home, definitions, load_rules() if rules is None else rules)


def source_at(
    home: Home,
    versions: Mapping[str, Mapping[str, int]],
    definitions: Definitions,
    rules: Sequence[RemovalRule],
) -> Source:
    """The ledger as the lake had it at the versions that `lake_versions` gave."""
    return _source(HomeAt(home.root, versions["lake"], versions["private"]), definitions, rules)


def lake_versions(home: Home) -> dict[str, dict[str, int]]:
    """The versions of every table that an extract is made from, as they stand."""
    lakes = {"lake": (home.lake, _READ), "private": (home.private_lake, _READ_PRIVATE)}
    return {
        name: {t.name: v for t in tables if (v := lake.version(t)) is not None}
        for name, (lake, tables) in lakes.items()
    }


def files_in_force(home: Home) -> tuple[FileInForce, ...]:
    """Every log, registry and annotation file that counts, by digest, and how each was read."""
    status = home.lake.scan(LOAD_FILE).filter(pl.col("status").is_in(IN_FORCE)).collect()
    known = {reading.digest: reading for reading in read_readings(home.readings)}
    return tuple(as_read(known[digest]) for digest in status["file_sha256"].sort())


def as_read(reading: Reading) -> FileInForce:
    """A file and how it was read: with which name, profile and site."""
    how = json.dumps([reading.name, reading.profile, reading.profile_sha256, reading.site])
    return FileInForce(reading.digest, reading.kind, how)


def _source(home: Home, definitions: Definitions, rules: Sequence[RemovalRule]) -> Source:
    ward = read_ward(home)
    claims = claims_now(home, ward)
    frames = {table.name: home.lake.scan(table).collect().sort(table.key) for table in _NEEDED}

    def hours(drains: pl.DataFrame) -> pl.DataFrame:
        return _hours(home, drains, frames[DRAIN_USE.name], definitions)

    return Source(
        drains=claims.drains,
        frames=frames,
        hours=hours,
        files=files_in_force(home),
        rules=tuple(rule.model_dump(mode="json") for rule in rules),
        definitions=definitions,
        findings=claims.findings,
    )


def _hours(home: Home, drains: pl.DataFrame, spans: pl.DataFrame, definitions: Definitions) -> pl.DataFrame:
    """DRAIN_HOUR of these drains."""
    made = [DRAIN_HOUR.empty()]
    for stretches, course in courses(home, drains, spans):
        minutes = drain_minutes(stretches, course)
        outputs = stretch_outputs(stretches, minutes, course, definitions)
        minutes = with_drain_output(minutes, outputs, definitions.resolution)
        made.append(drain_hours(minutes, course, drains, definitions))
    return pl.concat(made).sort(DRAIN_HOUR.key)


def courses(
    home: Home, drains: pl.DataFrame, spans: pl.DataFrame
) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
    """
    The stretches of some drains at once and the COURSE of their uses: a year's minutes do not fit together.

    Parameters
    ----------
    drains
        `drain_id`: whose.
    spans
        DRAIN_USE.
    """
    uses = home.lake.scan(USE_TABLE).select("use_id", owner=pl.format("{}:{}", "site", "device")).collect()
    mine = spans.join(drains, on="drain_id", how="semi").join(uses, on="use_id").sort("drain_id", "use_id")
    weights = mine.group_by("drain_id").agg(
        w=(pl.col("until_at") - pl.col("from_at")).dt.total_minutes().sum()
    )
    some: list[str]
    for some in batches(weights.sort("drain_id").rows(), _BATCH_MINUTES):
        theirs = mine.filter(pl.col("drain_id").is_in(some))
        ids = theirs["use_id"].unique().sort()
        course = (
            home.lake.scan_owners(COURSE, theirs["owner"].unique().sort().to_list())
            .filter(pl.col("use_id").is_in(ids.implode()))
            .collect()
            .sort(COURSE.key)
        )
        yield theirs.select("drain_id", "use_id", "from_at", "until_at"), course
