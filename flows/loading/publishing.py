"""Last stage of a load: the database is built beside the old one and swapped in."""

from __future__ import annotations

import json
from datetime import datetime

import polars as pl

from flows.keeping.erasing import unsaid
from flows.loading.computing import DEVICE_TABLES, DRAIN_TABLES
from flows.loading.derive import made_digest, note_made
from flows.loading.stale import IN_FORCE, Stale, read_ward, settings_digest
from flows.loading.writing import withdrawn_files
from pipeline.cohort import (
    Claims,
    against_log_findings,
    clock_findings,
    counted_outcomes,
    leak_at_threshold,
    leak_incidence,
    leak_strata,
    leak_survival,
    operations,
    reconcile,
)
from pipeline.definitions import Definitions
from pipeline.marts import changes, chart_baselines, publish, readable
from pipeline.provenance import code_digest, code_version, digest_of_texts
from pipeline.store import Home, moments
from pipeline.store.moments import Moment
from schemas.derivation import MADE
from schemas.lake import COURSE, LOAD_FILE, QUALITY_DAY, REJECTED_ROW, USE_ALERT, USE_TABLE
from schemas.published import (
    CHANGE,
    CHART_BASELINE,
    DATA_QUALITY,
    DRAIN,
    DRAIN_ANNOTATION,
    DRAIN_OUTCOME,
    LOAD_FILE_PUBLISHED,
    PROVENANCE,
    REJECTED_ROW_PUBLISHED,
)

_CAUSE_WORDS = {
    "files": "file",
    "registry": "registry",
    "annotations": "annotation",
    "definitions": "definition",
    "code": "code",
}


def out_of_date(home: Home, claims: Claims, definitions: Definitions) -> dict[str, str] | None:
    """What the database should be made from, or null where it is made from just that and can be read."""
    files = home.lake.scan(LOAD_FILE).drop("loaded_at", "read_with").collect().sort("file_sha256")
    parts = {
        # The view `minute` names the lake's files by their place: a home that was moved is published anew.
        "files": digest_of_texts(
            [
                home.lake.place.address,
                *files.select(pl.struct(pl.all()).struct.json_encode()).to_series(),
            ]
        ),
        "registry": digest_of_texts(
            claims.findings.select(pl.struct(pl.all()).struct.json_encode()).to_series()
        ),
        "annotations": made_digest(home),
        "definitions": digest_of_texts(
            [
                definitions.digest,
                definitions.digest_of_words,
                *(str(row) for row in chart_baselines(home.root).rows()),
            ]
        ),
        "code": code_digest(),
    }
    rows = home.lake.scan(MADE).filter(pl.col("stage") == "database").collect().rows(named=True)
    if rows and all(rows[0][part] == parts[part] for part in parts) and readable(home.database):
        return None
    return parts


def publish_ledger(
    home: Home, claims: Claims, stale: Stale, parts: dict[str, str], definitions: Definitions, now: datetime
) -> None:
    """Build the database from the lake as it stands and swap it in."""
    frames = {table.name: home.lake.scan(table).collect().sort(table.key) for table in DRAIN_TABLES}
    drain = frames[DRAIN.name]
    causes = pl.DataFrame(
        [(drain_id, _CAUSE_WORDS[part]) for drain_id, part in stale.causes.items()],
        schema={"drain_id": pl.String(), "cause": pl.String()},
        orient="row",
    )
    counted = counted_outcomes(drain, frames[DRAIN_OUTCOME.name])
    strata, comparisons = leak_strata(drain, counted, definitions)
    quality = home.lake.scan(QUALITY_DAY).collect().with_columns(scope=pl.lit("device_day"))
    rejected_rows = home.lake.scan(REJECTED_ROW).collect()
    files = home.lake.scan(LOAD_FILE).collect()
    in_force = files.filter(pl.col("status").is_in(IN_FORCE))
    uses = home.lake.scan(USE_TABLE).collect().sort(USE_TABLE.key)
    frames |= {
        "operation": operations(drain),
        "counted_outcome": counted,
        "leak_at_threshold": leak_at_threshold(drain, frames[DRAIN_OUTCOME.name], definitions),
        "leak_by_stratum": strata,
        "leak_comparison": comparisons,
        "leak_survival": leak_survival(drain, definitions),
        "leak_incidence": leak_incidence(drain, definitions),
        USE_TABLE.name: uses,
        USE_ALERT.name: home.lake.scan(USE_ALERT).collect().sort(USE_ALERT.key),
        LOAD_FILE.name: LOAD_FILE_PUBLISHED.conform(files).sort("file_sha256"),
        REJECTED_ROW.name: REJECTED_ROW_PUBLISHED.conform(rejected_rows).sort(
            "file_sha256", "line", "column", "rule", "value_shape"
        ),
        DATA_QUALITY.name: pl.concat(
            [
                DATA_QUALITY.conform(quality),
                DATA_QUALITY.conform(clock_findings(in_force)),
                DATA_QUALITY.conform(claims.findings),
                against_log_findings(frames[DRAIN_ANNOTATION.name], drain),
                reconcile(
                    in_force,
                    rejected_rows.join(withdrawn_files(home), on="file_sha256", how="anti"),
                    uses,
                    read_ward(home).registry,
                    definitions,
                ),
            ]
        ).sort("scope", "site", "device", "day", "finding", "drain_id", "detail"),
        CHART_BASELINE.name: chart_baselines(home.root),
        CHANGE.name: unsaid(home, changes(home.database, drain, causes)),
        PROVENANCE.name: pl.DataFrame(
            [
                {
                    "code_version": code_version(),
                    "settings_digest": settings_digest(definitions),
                    "lake_versions": _versions(home),
                    "built_at": now,
                }
            ],
            schema=PROVENANCE.dtypes,
        ),
    }
    publish(home.database, frames, home.lake.files(COURSE), definitions)
    note_made(home, "database", {home.database.name: parts})
    moments.passed(Moment.PUBLISHED_NOTED)


def _versions(home: Home) -> str:
    return json.dumps({t.name: home.lake.version(t) for t in (*DEVICE_TABLES, *DRAIN_TABLES, LOAD_FILE)})
