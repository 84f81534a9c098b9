"""What really happened in every minute, with the use and minute under which the ledger has it."""

from __future__ import annotations

import polars as pl

from pipeline.simulate import Simulation


def truth_minutes(
    made: Simulation, resolved: pl.DataFrame, evidence_kind: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """
    Every true minute that was logged, with the use and minute under which the ledger has it.

    A device that counts its rows is matched by its count, so that a clock that goes wrong hides
    nothing; one that does not, by the minute, or where its clock was stepped by what it showed. One that
    neither counts nor follows summer time is left out: which row is which could only be guessed.
    """
    truth = (
        pl.scan_parquet(made.truth / "minute" / "*.parquet")
        .select(
            "site",
            "device",
            "session",
            "record",
            "number",
            pl.exclude("site", "device", "session", "record", "number").name.prefix("true_"),
        )
        .drop("true_drain_keys")
        .pipe(named, evidence_kind)
        .collect()
    )
    unlogged = truth.filter(~pl.col("true_logged")).select(
        "evidence", "site", "stay", "device", "true_minute"
    )
    clocks = pl.read_parquet(made.truth / "device.parquet").select(
        "site",
        "device",
        clock_kind=pl.when(pl.col("clock_step_at").is_not_null())
        .then(pl.lit("stepped"))
        .when(~pl.col("clock_follows_dst"))
        .then(pl.lit("no summer time"))
        .otherwise(pl.lit("right")),
    )
    told = resolved.select("site", "device", "session", "record", "use_id", "minute")
    counted = (
        truth.filter("true_logged", pl.col("record").is_not_null())
        .join(told, on=["site", "device", "session", "record"], how="left")
        # After a service the count begins again: the nearer in time is the one.
        .with_columns(off=(pl.col("minute") - pl.col("true_minute")).abs())
        .sort("off", nulls_last=True)
        .unique(["stay", "device", "true_minute"], keep="first", maintain_order=True)
        .drop("off")
    )
    # What a stepped clock showed is all there is to go by; of two minutes shown alike the later one stands.
    stepped = clocks.filter(pl.col("clock_kind") == "stepped").select("site", "device", stepped=pl.lit(True))
    wall = (pl.col("minute") + pl.duration(minutes="utc_offset_minutes")).dt.replace_time_zone(None)
    by_wall = resolved.select("site", "device", "session", "use_id", "minute", shown=wall)
    guessed = clocks.filter(pl.col("clock_kind") == "no summer time")
    uncounted = (
        truth.filter("true_logged", pl.col("record").is_null())
        .join(guessed, on=["site", "device"], how="anti")
        .join(stepped, on=["site", "device"], how="left")
    )
    going_right = (
        uncounted.filter(pl.col("stepped").is_null())
        .with_columns(minute="true_minute")
        .join(by_wall.drop("shown"), on=["site", "device", "session", "minute"], how="left")
        .with_columns(minute=pl.when(pl.col("use_id").is_not_null()).then("minute"))
    )
    gone_wrong = (
        uncounted.filter("stepped")
        .rename({"true_clock": "shown"})
        .join(by_wall, on=["site", "device", "session", "shown"], how="left")
        .sort("true_minute")
        .with_columns(
            latest=pl.col("true_minute") == pl.col("true_minute").max().over("site", "device", "shown")
        )
        .with_columns(pl.when("latest").then(name).alias(name) for name in ("use_id", "minute"))
        .rename({"shown": "true_clock"})
    )
    uncounted = pl.concat([going_right.select(counted.columns), gone_wrong.select(counted.columns)])
    logged = (
        pl.concat([counted, uncounted])
        .join(clocks, on=["site", "device"], how="left")
        .with_columns(
            through=pl.col("use_id").is_not_null(),
            on_time=(pl.col("minute") == pl.col("true_minute")).fill_null(False),
        )
    )
    return logged, unlogged


def gaps_told(logged: pl.DataFrame, unlogged: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """
    Minutes of a use that its log lacks, in truth or as the ledger says (`flags` of the course's minutes).

    A device that begins or ends before its drain leaves no hole in a use: minutes outside the first and last that
    it logged for one are left out. So are devices whose clock goes wrong, whose holes are elsewhere in the ledger.
    """
    here = ["site", "device"]
    right = logged.filter(pl.col("clock_kind") == "right")
    uses = (
        right.filter("through")
        .group_by(*here, "use_id")
        .agg(pl.col("true_minute").min().alias("first"), pl.col("true_minute").max().alias("last"))
    )
    names = [*here, "evidence", "stay", "true_minute"]
    lacking = (
        unlogged.select(names)
        .sort("true_minute")
        .join_asof(
            uses.sort("first"), left_on="true_minute", right_on="first", by=here, check_sortedness=False
        )
        .filter(pl.col("true_minute") <= pl.col("last"))
        .select(*names, true_no_data=pl.lit(True))
    )
    said = told.filter(pl.col("flags").list.contains("no_data")).select(
        *here, true_minute="minute", no_data=pl.lit(True)
    )
    # A minute told to lack of which the device has a row after all.
    had = right.select(names).join(said, on=[*here, "true_minute"], how="semi")
    both = pl.concat([lacking, had.with_columns(true_no_data=pl.lit(False))])
    return (
        both.join(said.unique(), on=[*here, "true_minute"], how="left", maintain_order="left")
        .with_columns(pl.col("no_data").fill_null(False))
        .drop("device")
        .sort("stay", "true_minute")
    )


def named(frame: pl.DataFrame, evidence_kind: str) -> pl.DataFrame:
    """With the kind of evidence, and the stay's name."""
    return frame.with_columns(
        evidence=pl.lit(evidence_kind), stay=pl.format("{}/{}/{}", pl.lit(evidence_kind), "site", "number")
    )
