"""Drains by pseudonym: the registry's rows and the uses nobody claims, each with its own id."""

from __future__ import annotations

from datetime import date, datetime

import polars as pl

from pipeline.cohort.pseudonyms import Kind, pseudonym
from pipeline.zones import zone_named
from schemas.registry import REGISTRY_DRAIN


def identified(
    rows: pl.DataFrame, uses: pl.DataFrame, served: pl.DataFrame, unclaimed: pl.DataFrame, secret: bytes
) -> pl.DataFrame:
    """
    One row a drain: the registry's columns, pseudonyms, and what the uses say of site and zone.

    An operation is one patient, side and local day of the origin (end of the procedure, else tube in);
    the day is that of the zone of the drain's first use, else of most uses of the site, else UTC.
    """
    zones = uses.select("use_id", "timezone")
    usual = (
        uses.group_by("site", "timezone")
        .len()
        .sort("site", "len", "timezone", descending=[False, True, False])
        .unique("site", keep="first", maintain_order=True)
        .select("site", site_timezone="timezone")
    )
    own = (
        served.join(zones, on="use_id")
        .sort("site", "drain_key", "from_at", "use_id")
        .group_by("site", "drain_key", maintain_order=True)
        .agg(timezone=pl.col("timezone").first(), shared_use=pl.col("shared").any())
    )
    linked = (
        rows.join(own, on=["site", "drain_key"], how="left")
        .join(usual, on="site", how="left")
        .with_columns(
            timezone=pl.coalesce("timezone", "site_timezone", pl.lit("UTC")),
            shared_use=pl.col("shared_use").fill_null(False),
            linked=True,
            use_of_unlinked=pl.lit(None, dtype=pl.String),
        )
        .drop("site_timezone")
    )
    named = linked.with_columns(
        drain_id=pl.Series(
            [pseudonym(secret, Kind.DRAIN, *key) for key in linked.select("site", "drain_key").iter_rows()],
            dtype=pl.String,
        ),
        operation_id=pl.Series(
            [_operation(secret, row) for row in linked.iter_rows(named=True)], dtype=pl.String
        ),
    )
    alone = uses.join(unclaimed, on="use_id", how="semi").sort("use_id")
    unlinked = alone.select(
        "site",
        "timezone",
        linked=False,
        shared_use=False,
        use_of_unlinked="use_id",
        drain_id=pl.Series(
            [
                pseudonym(secret, Kind.UNLINKED, *key)
                for key in alone.select("site", "device", "epoch", "session", "stretch").iter_rows()
            ],
            dtype=pl.String,
        ),
    )
    columns = [
        "drain_id",
        "operation_id",
        *(name for name in REGISTRY_DRAIN.names if name not in ("exported_at", "file_sha256")),
        "linked",
        "shared_use",
        "timezone",
        "use_of_unlinked",
    ]
    return pl.concat([named, unlinked], how="diagonal").select(columns)


def _operation(secret: bytes, row: dict[str, object]) -> str:
    origin = row["procedure_end_at"] or row["tube_in_at"]
    assert isinstance(origin, datetime)
    day: date = origin.astimezone(zone_named(str(row["timezone"]))).date()
    side = row["side"]
    return pseudonym(
        secret,
        Kind.OPERATION,
        str(row["site"]),
        str(row["patient_key"]),
        None if side is None else str(side),
        day.isoformat(),
    )
