"""What does not fit between the registry and the logs: each finding a row, none silently dropped."""

from __future__ import annotations

import polars as pl

from pipeline.cohort.holding import Held, named_pairs, touches, whole_minute
from pipeline.cohort.registry import standing
from pipeline.course.zones import MINUTE_US, official_offsets
from schemas.findings import SET_ASIDE
from schemas.published import DATA_QUALITY

_DRAIN = ["site", "drain_key"]
_PAIR = ["site", "device", "session"]


def findings_of(
    rows: pl.DataFrame,
    registry: pl.DataFrame,
    uses: pl.DataFrame,
    held: Held,
    idle: pl.DataFrame,
    ids: pl.DataFrame,
    drain_use: pl.DataFrame,
    annotations: pl.DataFrame | None,
) -> pl.DataFrame:
    """
    The findings of a claim as DATA_QUALITY rows of scope `registry`; no hospital key appears in them.

    Parameters
    ----------
    rows
        The standing rows of the registry, as the hospital gave them.
    registry
        All rows ever given.
    idle
        Stretches claimed by a drain that a newer device served at the time.
    ids
        `site`, `drain_key`, `drain_id`.
    """
    named = ids.filter(pl.col("drain_key").is_not_null()).select(*_DRAIN, "drain_id")
    found = pl.concat(
        [
            _out_before_in(rows, named),
            _end_after_out(rows, named),
            _named_without_log(rows, uses, named),
            _outside(rows, uses, named),
            _without_log(rows, named, drain_use),
            _claimed_twice(held, named),
            _disagree(rows, registry, named),
            _without_drain(held, uses),
            _unclaimed(rows, held, uses),
            _idle(idle, named),
            *([] if annotations is None else [_unplaced(standing(annotations), held, named)]),
        ],
        how="diagonal_relaxed",
    )
    return DATA_QUALITY.conform(found.with_columns(scope=pl.lit("registry"))).sort(
        "site", "device", "finding", "drain_id", "detail", "minutes", nulls_last=True
    )


def clock_findings(files: pl.DataFrame) -> pl.DataFrame:
    """
    Devices whose exports disagree on the zone of their clock, as DATA_QUALITY rows of scope `device`.

    Zones of different names that show the same time whenever an export was made are no contradiction.
    Either the device moved or somebody was wrong: whether times before and after fit together is told
    minute by minute (`clock_steps`, `minutes_conflicting`), and the finding names the zones.

    Parameters
    ----------
    files
        LOAD_FILE rows of the files in force.
    """
    said = (
        files.filter(pl.col("timezone").is_not_null(), pl.col("exported_at").is_not_null())
        .select("site", "timezone", "exported_at", device=pl.col("device").str.split(";"))
        .explode("device")
        .drop_nulls("device")
    )
    several = said.filter(pl.col("timezone").n_unique().over("site", "device") > 1)
    moments = several.select("site", "device", "exported_at").unique()
    zones = several.select("site", "device", "timezone").unique()
    shown = moments.join(zones, on=["site", "device"]).sort("site", "device", "exported_at", "timezone")
    minutes = shown["exported_at"].to_physical() // MINUTE_US
    return DATA_QUALITY.conform(
        shown.with_columns(official_offsets(minutes, shown["timezone"]))
        .group_by("site", "device", maintain_order=True)
        .agg(
            zones=pl.col("timezone").unique().sort(),
            differ=(pl.col("utc_offset_minutes").n_unique().over("exported_at") > 1).any(),
        )
        .filter("differ")
        .select(
            "site",
            "device",
            scope=pl.lit("device"),
            finding=pl.lit("time_zones_differ"),
            detail=pl.format("its exports give its clock the zones {}", pl.col("zones").list.join(", ")),
        )
    ).sort("site", "device")


def _out_before_in(rows: pl.DataFrame, ids: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.filter(pl.col("tube_out_at") < pl.col("tube_in_at"))
        .join(ids, on=_DRAIN)
        .select(
            "site",
            "drain_id",
            finding=pl.lit("tube_out_before_in"),
            minutes=(pl.col("tube_in_at") - pl.col("tube_out_at")).dt.total_minutes(),
            detail=pl.lit(f"{SET_ASIDE['tube_out_before_in']} is taken as not recorded"),
        )
    )


def _end_after_out(rows: pl.DataFrame, ids: pl.DataFrame) -> pl.DataFrame:
    late = pl.col("procedure_end_at") > pl.col("tube_out_at")
    return (
        rows.filter(late & (pl.col("tube_out_at") >= pl.col("tube_in_at")))
        .join(ids, on=_DRAIN)
        .select(
            "site",
            "drain_id",
            finding=pl.lit("procedure_end_after_out"),
            minutes=(pl.col("procedure_end_at") - pl.col("tube_out_at")).dt.total_minutes(),
            detail=pl.lit(f"{SET_ASIDE['procedure_end_after_out']} is taken as not recorded"),
        )
    )


def _named_without_log(rows: pl.DataFrame, uses: pl.DataFrame, ids: pl.DataFrame) -> pl.DataFrame:
    return (
        named_pairs(rows)
        .join(uses, on=_PAIR, how="anti")
        .join(ids, on=_DRAIN)
        .select(
            "site",
            "device",
            "drain_id",
            finding=pl.lit("named_use_without_log"),
            detail=pl.format("no log of {}/{}", "device", "session"),
        )
    )


def _outside(rows: pl.DataFrame, uses: pl.DataFrame, ids: pl.DataFrame) -> pl.DataFrame:
    out = pl.when(pl.col("tube_out_at") >= pl.col("tube_in_at")).then(whole_minute("tube_out_at"))
    overlaps = (whole_minute("tube_in_at") < pl.col("ended_at")) & (
        out.is_null() | (out > pl.col("started_at"))
    )
    return (
        named_pairs(rows)
        .join(uses, on=_PAIR)
        .group_by(*_DRAIN, "device", "session")
        .agg(any_overlap=overlaps.any(), minutes=pl.col("minutes_observed").sum())
        .filter(~pl.col("any_overlap"))
        .join(ids, on=_DRAIN)
        .select(
            "site",
            "device",
            "drain_id",
            "minutes",
            finding=pl.lit("log_outside_drain"),
            detail=pl.format("{}/{} has logs, none between tube in and out", "device", "session"),
        )
    )


def _without_log(rows: pl.DataFrame, ids: pl.DataFrame, drain_use: pl.DataFrame) -> pl.DataFrame:
    named = (pl.col("uses").list.len().fill_null(0) > 0) | (pl.col("devices").list.len().fill_null(0) > 0)
    return (
        rows.join(ids, on=_DRAIN)
        .join(drain_use, on="drain_id", how="anti")
        .select(
            "site",
            "drain_id",
            finding=pl.lit("drain_without_log"),
            detail=pl.when(named)
            .then(pl.lit("no log of its uses or devices falls to it between tube in and out"))
            .otherwise(pl.lit("the registry gives neither uses nor device")),
        )
    )


def _claimed_twice(held: Held, ids: pl.DataFrame) -> pl.DataFrame:
    winners = ids.rename({"drain_key": "best_key", "drain_id": "winner"})
    return (
        held.lost.join(ids, on=_DRAIN)
        .join(winners, on=["site", "best_key"])
        .select(
            "site",
            "device",
            "drain_id",
            "minutes",
            finding=pl.lit("use_claimed_twice"),
            detail=pl.format("{}: these minutes went to {}", "use_id", "winner"),
        )
    )


def _disagree(rows: pl.DataFrame, registry: pl.DataFrame, ids: pl.DataFrame) -> pl.DataFrame:
    """Rows of files exported at one time that differ: which is the newer one nobody can tell."""
    columns = [name for name in rows.columns if name not in (*_DRAIN, "exported_at", "file_sha256")]
    differ = [pl.when(pl.col(c).ne_missing(pl.col(f"{c}_other"))).then(pl.lit(c)) for c in columns]
    return (
        rows.join(registry, on=[*_DRAIN, "exported_at"], suffix="_other", nulls_equal=True)
        .select(*_DRAIN, differ=pl.concat_list(differ).list.drop_nulls())
        .filter(pl.col("differ").list.len() > 0)
        .explode("differ")
        .group_by(_DRAIN)
        .agg(pl.col("differ").unique().sort())
        .join(ids, on=_DRAIN)
        .select(
            "site",
            "drain_id",
            finding=pl.lit("registry_rows_disagree"),
            detail=pl.format(
                "registry files of one exported_at differ in {}; which is newer cannot be told: export again",
                pl.col("differ").list.join(", "),
            ),
        )
    )


def _without_drain(held: Held, uses: pl.DataFrame) -> pl.DataFrame:
    free = held.segments.filter(pl.col("holders").list.len() == 0)
    return free.join(uses.select("use_id", "site", "device"), on="use_id").select(
        "site",
        "device",
        finding=pl.lit("minutes_without_drain"),
        minutes=(pl.col("segment_until") - pl.col("segment_from")).dt.total_minutes(),
        detail=pl.format("{} {} to {}", "use_id", _text("segment_from"), _text("segment_until")),
    )


def _unclaimed(rows: pl.DataFrame, held: Held, uses: pl.DataFrame) -> pl.DataFrame:
    """Uses that no row claims, at sites that keep a registry: each is a drain of its own, unlinked."""
    return (
        uses.join(held.unclaimed, on="use_id", how="semi")
        .join(rows.select("site").unique(), on="site", how="semi")
        .select(
            "site",
            "device",
            finding=pl.lit("use_without_drain"),
            minutes="minutes_observed",
            detail=pl.format("{}: no row of the registry claims it", "use_id"),
        )
    )


def _idle(idle: pl.DataFrame, ids: pl.DataFrame) -> pl.DataFrame:
    return idle.join(ids, on=_DRAIN).select(
        "site",
        "device",
        "drain_id",
        finding=pl.lit("minutes_without_drain"),
        minutes=(pl.col("segment_until") - pl.col("segment_from")).dt.total_minutes(),
        detail=pl.format(
            "{} {} to {}: another device served the drain",
            "use_id",
            _text("segment_from"),
            _text("segment_until"),
        ),
    )


def _unplaced(annotations: pl.DataFrame, held: Held, ids: pl.DataFrame) -> pl.DataFrame:
    """Annotations of unknown drains, or of none of the minutes that their drain holds."""
    key = [*_DRAIN, "started_at", "kind"]
    placed = annotations.join(held.holders, on=_DRAIN).filter(touches())
    known = (
        pl.when(pl.col("drain_id").is_null())
        .then(pl.lit("no drain of that key"))
        .otherwise(pl.lit("no log of its drain then"))
    )
    return (
        annotations.join(placed, on=key, how="anti")
        .join(ids, on=_DRAIN, how="left")
        .select(
            "site",
            "drain_id",
            finding=pl.lit("annotation_without_minutes"),
            detail=pl.format("{} at {}: {}", "kind", _text("started_at"), known),
        )
    )


def _text(column: str) -> pl.Expr:
    return pl.col(column).dt.strftime("%Y-%m-%dT%H:%MZ")
