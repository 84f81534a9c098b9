"""Who holds which minutes of a device use: the registry's claims, double claims decided."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

# What of a registry row decides who holds which minutes; its other columns only describe the drain.
CLAIMING = (
    "site",
    "drain_key",
    "patient_key",
    "side",
    "tube_in_at",
    "tube_out_at",
    "uses",
    "devices",
)

_DRAIN = ["site", "drain_key"]


@dataclass(frozen=True)
class Held:
    """
    Who holds which minutes of which use, before pseudonyms.

    `holders`: site, drain_key, use_id, from_at, until_at, shared. `segments`: every stretch of a
    claimed use with the drains that hold it (`holders`, a list, empty where none). `lost`: claims that
    lost to another drain. `unclaimed`: ids of uses that no row claims.
    """

    holders: pl.DataFrame
    segments: pl.DataFrame
    lost: pl.DataFrame
    unclaimed: pl.DataFrame


def held_of(uses: pl.DataFrame, rows: pl.DataFrame) -> Held:
    """Steps 1 and 2 of `claim`: the standing, sound rows of the registry against the uses."""
    claims = _claims(uses, rows)
    ends = pl.concat(
        [
            claims.select("use_id", at="from_at"),
            claims.select("use_id", at="until_at"),
            uses.join(claims, on="use_id", how="semi").select("use_id", at=whole_minute("started_at")),
            uses.join(claims, on="use_id", how="semi").select("use_id", at=whole_minute("ended_at")),
        ]
    ).unique()
    stretches = (
        ends.sort("use_id", "at")
        .with_columns(segment_until=pl.col("at").shift(-1).over("use_id"))
        .filter(pl.col("segment_until").is_not_null())
        .rename({"at": "segment_from"})
    )
    claimants = (
        stretches.join(claims, on="use_id")
        .filter(
            (pl.col("from_at") <= pl.col("segment_from")) & (pl.col("segment_until") <= pl.col("until_at"))
        )
        .sort(
            "use_id",
            "segment_from",
            "named",
            "tube_in_at",
            "drain_key",
            descending=[False, False, True, True, False],
        )
        .with_columns(
            best_key=pl.col("drain_key").first().over("use_id", "segment_from"),
            best_patient=pl.col("patient_key").first().over("use_id", "segment_from"),
            best_side=pl.col("side").first().over("use_id", "segment_from"),
        )
        .with_columns(
            holds=(pl.col("patient_key") == pl.col("best_patient"))
            & (
                (pl.col("side") == pl.col("best_side"))
                | pl.col("side").is_null()
                | pl.col("best_side").is_null()
            )
        )
    )
    holding = claimants.filter("holds").with_columns(shared=pl.len().over("use_id", "segment_from") > 1)
    keys = holding.group_by("use_id", "segment_from").agg(holders=pl.col("drain_key").sort())
    segments = stretches.join(keys, on=["use_id", "segment_from"], how="left").with_columns(
        pl.col("holders").fill_null(pl.lit([], dtype=pl.List(pl.String)))
    )
    return Held(
        holders=joined(holding),
        segments=segments.sort("use_id", "segment_from"),
        lost=claimants.filter(~pl.col("holds"))
        .group_by("site", "device", "use_id", "drain_key", "best_key")
        .agg(minutes=((pl.col("segment_until") - pl.col("segment_from")).dt.total_minutes()).sum())
        .sort("use_id", "drain_key", "best_key"),
        unclaimed=uses.join(claims, on="use_id", how="anti").select("use_id"),
    )


def whole_minute(column: str) -> pl.Expr:
    """The first minute that starts at or after an instant: a minute belongs where it starts."""
    return (pl.col(column) + pl.duration(microseconds=59_999_999)).dt.truncate("1m")


def _claims(uses: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """What each drain asks for, clipped to the tube's dates: one row a drain and use."""
    by_pair = named_pairs(rows).join(uses, on=["site", "device", "session"])
    by_device = _named_devices(rows).join(uses, on=["site", "device"])
    asked = pl.concat(
        [
            _overlapping(by_pair, ["device", "session"]).with_columns(named=True),
            _overlapping(by_device, ["device"]).with_columns(named=False),
        ],
        how="diagonal",
    )
    columns = ["patient_key", "side", "tube_in_at", "named", "use_id", "device", "from_at", "until_at"]
    return asked.unique([*_DRAIN, "use_id"], keep="first", maintain_order=True).select(*_DRAIN, *columns)


def _overlapping(asked: pl.DataFrame, by: list[str]) -> pl.DataFrame:
    """The part between tube in and out; without a tube out only the first session that overlaps."""
    first = [pl.col(c) == pl.col(c).first().over(*_DRAIN, *by) for c in ("epoch", "session")]
    return (
        asked.with_columns(
            from_at=pl.max_horizontal(whole_minute("tube_in_at"), whole_minute("started_at")),
            until_at=pl.min_horizontal(whole_minute("tube_out_at"), whole_minute("ended_at")),
        )
        .filter(pl.col("from_at") < pl.col("until_at"))
        .sort(*_DRAIN, "device", "from_at", "use_id")
        .filter(pl.col("tube_out_at").is_not_null() | pl.all_horizontal(first))
    )


def touches() -> pl.Expr:
    """Whether an annotation (`started_at`, `ended_at`) falls on a stretch (`from_at`, `until_at`)."""
    started, ended = pl.col("started_at"), pl.col("ended_at")
    moment = (started >= pl.col("from_at")) & (started < pl.col("until_at"))
    stretch = (started < pl.col("until_at")) & (ended > pl.col("from_at"))
    return pl.when(ended.is_null()).then(moment).otherwise(stretch)


def named_pairs(rows: pl.DataFrame) -> pl.DataFrame:
    """The (device, session) pairs that rows of the registry name: one row each, `session` as a number."""
    pair = pl.col("uses").str.splitn("/", 2)
    return (
        rows.filter(pl.col("uses").list.len() > 0)
        .select(*_DRAIN, "patient_key", "side", "tube_in_at", "tube_out_at", "uses")
        .explode("uses")
        .with_columns(
            device=pair.struct.field("field_0"),
            session=pair.struct.field("field_1").cast(pl.Int64, strict=False),
        )
        .drop("uses")
    )


def _named_devices(rows: pl.DataFrame) -> pl.DataFrame:
    return (
        rows.filter((pl.col("uses").list.len().fill_null(0) == 0) & (pl.col("devices").list.len() > 0))
        .select(*_DRAIN, "patient_key", "side", "tube_in_at", "tube_out_at", device="devices")
        .explode("device")
    )


def joined(holding: pl.DataFrame) -> pl.DataFrame:
    """Touching segments of one drain on one use become one stretch."""
    key = ["site", "drain_key", "use_id"]
    return (
        holding.sort(*key, "segment_from")
        .with_columns(
            part=(pl.col("segment_from") != pl.col("segment_until").shift(1))
            .fill_null(True)
            .cum_sum()
            .over(key)
        )
        .group_by(*key, "part")
        .agg(
            from_at=pl.col("segment_from").min(),
            until_at=pl.col("segment_until").max(),
            shared=pl.col("shared").any(),
        )
        .drop("part")
        .sort(*key, "from_at")
    )
